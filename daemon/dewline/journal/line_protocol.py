"""InfluxDB line protocol: one point as one line of text.

Source of the grammar: influxdata/docs-v2, content/influxdb/v2/reference/syntax/line-protocol.md
(commit 0967a8aa). Every value is written as a float: a series that began with
integers refuses a float later.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

_IN_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ "})
_IN_KEY = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})
_IN_TEXT = str.maketrans({'"': r"\"", "\\": r"\\"})


def line(
    measurement: str,
    tags: Mapping[str, str],
    fields: Mapping[str, float],
    time_ms: int,
    texts: Mapping[str, str] | None = None,
) -> str:
    r"""``glove\ box,box=heron oxygen=0.5 1700000000000000000``, the time in nanoseconds.

    Empty tags and values without a finite number are left out. "" where no field
    is left: such a point cannot be written. ``texts`` are string fields.
    ValueError for what has no form: an empty name or one that begins with ``_`` or
    ``#``, a control character, a backslash in a name or tag value (before a comma
    or at the end it would be read as an escape).
    """
    written = [f"{_key(k)}={float(v)!r}" for k, v in fields.items() if math.isfinite(v)]
    written += [f'{_key(k)}="{_text(v)}"' for k, v in (texts or {}).items()]
    if not written:
        return ""
    head = _name(measurement).translate(_IN_MEASUREMENT)
    head += "".join(f",{_key(k)}={_plain(v).translate(_IN_KEY)}" for k, v in tags.items() if v)
    return f"{head} {','.join(written)} {time_ms}000000"


def _text(text: str) -> str:
    if not text.isprintable():
        raise ValueError(f"{text!r} cannot stand in line protocol")
    return text.translate(_IN_TEXT)


def _key(text: str) -> str:
    return _name(text).translate(_IN_KEY)


def _name(text: str) -> str:
    if not text or text[0] in "_#":
        raise ValueError(f"{text!r} cannot be a name in line protocol")
    return _plain(text)


def _plain(text: str) -> str:
    if not text.isprintable() or "\\" in text:
        raise ValueError(f"{text!r} cannot stand in line protocol")
    return text
