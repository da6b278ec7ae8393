"""Secrets: read from files when they are needed, and never part of a message."""

from __future__ import annotations

import hmac
from dataclasses import dataclass
from pathlib import Path

from dewline.config.plan import secret_file
from dewline.errors import FollowerError


def read_secret(path: Path) -> str:
    """The first line of a secret file.

    FollowerError where there is none; it names the file, never what is in it.
    """
    path = secret_file(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise FollowerError(f"cannot read {path}: {error.strerror}") from None
    except UnicodeDecodeError:
        # The error would quote the first bytes that are none.
        raise FollowerError(f"{path} is not UTF-8 text") from None
    secret = text.partition("\n")[0].strip()
    if not secret:
        raise FollowerError(f"{path} is empty")
    return secret


@dataclass(frozen=True, slots=True)
class TokenFile:
    """A token in a file, which is read each time: a changed file counts at once."""

    path: Path

    def accepts(self, token: object) -> bool:
        """True for exactly the token; False for anything else, and while there is no such file."""
        try:
            expected = read_secret(self.path).encode()
        except FollowerError:
            return False
        return isinstance(token, str) and hmac.compare_digest(
            token.encode("utf-8", "surrogatepass"), expected
        )
