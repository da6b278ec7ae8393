"""Line protocol, written by us and read back by a parser that is not ours.

Source of the grammar: influxdata/docs-v2, content/influxdb/v2/reference/syntax/line-protocol.md
(commit 0967a8aa): which characters are escaped where, floats without a suffix, no empty tag
values. The table's lines were written by those rules and read back by line-protocol-parser
2.0.1; influxdb-client 1.50.0 writes the same but for -35.0 as -35. So parsed values are
compared, not text. That NaN and infinity cannot be written, and that a backslash should not
end a tag value, is from memory.
"""

from __future__ import annotations

import ast
import csv
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from line_protocol_parser import parse_line

from dewline.journal.line_protocol import line

DATA = Path(__file__).parent / "data" / "line_protocol.csv"
with DATA.open(newline="", encoding="utf-8") as file:
    ROWS = list(csv.DictReader(file))


def point(row: dict[str, str]) -> tuple[str, dict[str, str], dict[str, float], dict[str, str], int]:
    """(measurement, tags, number fields, text fields, time in ns) of a row."""
    measurement, tags, fields = (
        ast.literal_eval(row[key]) for key in ("measurement", "tags", "fields")
    )
    texts = {k: v for k, v in fields.items() if isinstance(v, str)}
    numbers = {k: float(v) for k, v in fields.items() if k not in texts}
    return measurement, tags, numbers, texts, int(row["time_ns"])


def test_the_table_is_whole() -> None:
    """Seven rows: a lost row would be a lost check."""
    assert len(ROWS) == 7


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["expected_line"][:24])
def test_a_line_reads_back_as_what_was_written(row: dict[str, str]) -> None:
    """Our line, read by a foreign parser, is the point; numbers and truths are floats."""
    measurement, tags, numbers, texts, time_ns = point(row)
    parsed = parse_line(line(measurement, tags, numbers, time_ns // 1_000_000, texts))
    assert parsed["measurement"] == measurement
    assert parsed["tags"] == tags
    assert parsed["fields"] == numbers | texts
    assert parsed["time"] == time_ns
    assert all(isinstance(parsed["fields"][key], float) for key in numbers)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["expected_line"][:24])
def test_a_line_is_the_tables_line(row: dict[str, str]) -> None:
    """Read by the same parser, our line and the table's are one point, but for int and bool."""
    measurement, tags, numbers, texts, time_ns = point(row)
    ours = parse_line(line(measurement, tags, numbers, time_ns // 1_000_000, texts))
    theirs = parse_line(row["expected_line"])
    assert ours == theirs


# Any printable text without a backslash, of every alphabet.
TEXT = st.text(max_size=8).filter(lambda t: t.isprintable() and "\\" not in t)
# The parser refuses numbers below 2.2e-308; no instrument reads that low.
NUMBER = st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=False)
NAME = TEXT.filter(lambda t: t and t[0] not in "_#")


@pytest.mark.long
@given(
    NAME,
    st.dictionaries(NAME, TEXT, max_size=3),
    st.dictionaries(NAME, NUMBER, min_size=1, max_size=3),
    st.integers(0, 4_000_000_000_000),
)
def test_any_point_comes_back(
    measurement: str, tags: dict[str, str], fields: dict[str, Any], time_ms: int
) -> None:
    """Whatever the names and values, the foreign parser gives them back to the last bit."""
    parsed = parse_line(line(measurement, tags, fields, time_ms))
    assert parsed == {
        "measurement": measurement,
        "tags": {key: value for key, value in tags.items() if value},
        "fields": fields,
        "time": time_ms * 1_000_000,
    }


def test_what_cannot_be_written_is_left_out() -> None:
    """NaN, infinities and empty tags are dropped; a point without any field is no line."""
    fields = {"value": math.nan, "low": -math.inf, "good": 1.0}
    assert (
        line("reading", {"box": "heron", "unit": ""}, fields, 5)
        == "reading,box=heron good=1.0 5000000"
    )
    assert line("reading", {"box": "heron"}, {"value": math.nan}, 5) == ""


@pytest.mark.parametrize(
    ("measurement", "tags", "fields"),
    [
        ("", {}, {"v": 1.0}),
        ("_time", {}, {"v": 1.0}),
        ("#reading", {}, {"v": 1.0}),
        ("reading", {"box": "heron\\"}, {"v": 1.0}),
        ("reading", {"box": "heron\negret"}, {"v": 1.0}),
        ("reading", {"box": "\theron"}, {"v": 1.0}),
        ("reading", {}, {"_v": 1.0}),
    ],
)
def test_what_has_no_form_is_refused(
    measurement: str, tags: dict[str, Any] | dict[str, str], fields: dict[str, float]
) -> None:
    """A name or tag value that would change the meaning of the line is an error, not a guess."""
    with pytest.raises(ValueError, match="line protocol"):
        line(measurement, tags, fields, 0)
