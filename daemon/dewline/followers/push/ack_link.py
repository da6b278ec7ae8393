"""A link that acknowledges one alarm for one contact, until it expires.

It is signed by HMAC-SHA256 (RFC 2104) over its whole content, with a key that is only in its file.
Anybody who has the link may acknowledge that alarm, so it is as secret as the page it came on. It
permits nothing else: no reset, no shelving.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from dataclasses import dataclass
from pathlib import Path

from dewline.errors import CommandError, FollowerError
from dewline.followers.secret import read_secret
from dewline.readings import compact_json

LEAST_KEY_BYTES = 32
LONGEST_TOKEN = 1000
VALID_S = 24 * 3600
REFUSED = "this link is not valid"


@dataclass(frozen=True, slots=True)
class AckLink:
    """The content of a link. ``expires_s``: UTC epoch."""

    alarm: str
    event_id: str
    contact: str
    expires_s: int


def read_key(path: Path) -> bytes:
    """The key in a file, at least 32 characters; FollowerError names the file, never the key."""
    key = read_secret(path).encode()
    if len(key) < LEAST_KEY_BYTES:
        raise FollowerError(f"the key in {path} is short: make one with `openssl rand -hex 32`")
    return key


def sign(link: AckLink, key: bytes) -> str:
    """The token of a link, which can stand in an address: content and signature in base64url."""
    content = compact_json([link.alarm, link.event_id, link.contact, link.expires_s]).encode()
    return f"{_text(content)}.{_text(_mac(content, key))}"


def verify_untrusted(token: str, key: bytes, now_s: float) -> AckLink:
    """The link in a token; CommandError where it was not signed with ``key`` or has expired.

    ``now_s``: UTC epoch. Nothing in the token is read before its signature was checked.
    """
    content_text, dot, mac_text = token.partition(".")
    if not dot or len(token) > LONGEST_TOKEN:
        raise CommandError(REFUSED)
    content, mac = _bytes_untrusted(content_text), _bytes_untrusted(mac_text)
    if not hmac.compare_digest(mac, _mac(content, key)):
        raise CommandError(REFUSED)
    alarm, event_id, contact, expires_s = json.loads(content)
    if now_s >= expires_s:
        raise CommandError("this link has expired; acknowledge at the daemon")
    return AckLink(alarm, event_id, contact, expires_s)


def _mac(content: bytes, key: bytes) -> bytes:
    return hmac.new(key, b"dewline acknowledge\0" + content, hashlib.sha256).digest()


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _bytes_untrusted(text: str) -> bytes:
    """The bytes in a text; CommandError for a text that ``_text`` does not write."""
    try:
        data = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise CommandError(REFUSED) from None
    if _text(data) != text:
        raise CommandError(REFUSED)
    return data
