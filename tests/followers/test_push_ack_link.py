"""A link that acknowledges one alarm, signed and with an end."""

from __future__ import annotations

import hashlib
import hmac
from base64 import urlsafe_b64encode
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.errors import CommandError, FollowerError
from dewline.followers.push.ack_link import AckLink, read_key, sign, verify_untrusted

KEY = b"k" * 32
LINK = AckLink("heron.moisture-high", "9f1c0123456789ab", "night-desk", 1_772_500_000)


def test_what_was_signed_is_verified() -> None:
    """The link comes back as it was, until its end."""
    assert verify_untrusted(sign(LINK, KEY), KEY, 1_772_499_999) == LINK


def test_a_link_ends() -> None:
    """At its end it is refused."""
    with pytest.raises(CommandError, match="expired"):
        verify_untrusted(sign(LINK, KEY), KEY, 1_772_500_000)


def test_the_mac_is_hmac_sha256_of_all_it_says() -> None:
    """RFC 2104 with SHA-256, over a prefix of our own and every field."""
    said = b'["heron.moisture-high","9f1c0123456789ab","night-desk",1772500000]'
    expected = hmac.new(KEY, b"dewline acknowledge\0" + said, hashlib.sha256).digest()
    assert sign(LINK, KEY).partition(".")[2] == urlsafe_b64encode(expected).rstrip(b"=").decode()


@pytest.mark.parametrize("other", [b"x" * 32, KEY + b"k"])
def test_another_key_verifies_nothing(other: bytes) -> None:
    """Neither a different key nor one that begins the same."""
    with pytest.raises(CommandError):
        verify_untrusted(sign(LINK, KEY), other, 0)


@given(place=st.integers(0, 200), to=st.characters(codec="ascii"))
def test_no_letter_can_be_changed(place: int, to: str) -> None:
    """Any letter of the token replaced by any other: refused, never another meaning."""
    token = sign(LINK, KEY)
    place %= len(token)
    if token[place] == to:
        return
    with pytest.raises(CommandError):
        verify_untrusted(token[:place] + to + token[place + 1 :], KEY, 0)


@given(st.text(max_size=2000))
def test_nonsense_is_refused_in_words(text: str) -> None:
    """Whatever comes, the one error."""
    with pytest.raises(CommandError):
        verify_untrusted(text, KEY, 0)


def test_a_key_comes_from_a_file_and_is_long(tmp_path: Path) -> None:
    """A short key is refused with what to do, without the key."""
    file = tmp_path / "ack.key"
    file.write_text("a" * 64 + "\n")
    assert read_key(file) == b"a" * 64
    file.write_text("brief\n")
    with pytest.raises(FollowerError, match="openssl") as caught:
        read_key(file)
    assert "brief" not in str(caught.value)
