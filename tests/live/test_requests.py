"""Requests of anybody who may open the control socket: checked field by field."""

from __future__ import annotations

import pytest

from dewline.errors import CommandError
from dewline.live.requests import command_of, leak_test_of
from dewline.readings import Command
from dewline.watch_plan import BoxPlan, WatchPlan

STAMP = (1_000, 2_000)
PLAN = WatchPlan(site="marsh", boxes={"heron": BoxPlan(name="heron")})


def test_a_command_is_stamped_and_takes_what_the_request_says() -> None:
    """Fields that are absent or null stay empty; nobody named is ``unknown``."""
    request = {"ask": "command", "command": "shelve", "alarm": "heron.x", "for_s": 60, "why": "w"}
    assert command_of(request, STAMP, "socket") == Command(
        *STAMP, "socket", "shelve", "unknown", alarm="heron.x", for_s=60, why="w"
    )
    note = {"command": "note", "by": "ana", "box": "heron", "kind": "gloves", "why": "left pair"}
    assert command_of(note | {"alarm": None}, STAMP, "mqtt") == Command(
        *STAMP, "mqtt", "note", "ana", box="heron", kind="gloves", why="left pair"
    )


@pytest.mark.parametrize("why", [None, "", "  "])
def test_an_empty_note_is_refused(why: str | None) -> None:
    """It never becomes an item: the record of what was done holds no empty line."""
    note = {"command": "note", "by": "ana", "box": "heron", "kind": "opened", "why": why}
    with pytest.raises(CommandError, match="says in words what was done"):
        command_of(note, STAMP, "socket")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("command", None),
        ("command", "explode"),
        ("command", 7),
        ("by", ["ana"]),
        ("alarm", 5),
        ("for_s", "2 h"),
        ("for_s", float("nan")),
        ("for_s", float("inf")),
        ("why", {"text": "x"}),
        ("box", False),
    ],
)
def test_a_field_of_the_wrong_kind_is_refused_in_one_line(field: str, value: object) -> None:
    """Nothing of it reaches the watch or the record, and the answer names what is wrong."""
    request = {"command": "acknowledge", "by": "ana", "alarm": "heron.x", field: value}
    with pytest.raises(CommandError, match=field) as refusal:
        command_of(request, STAMP, "socket")
    assert "\n" not in str(refusal.value)


def test_a_leak_test_becomes_a_closed_row_of_its_box() -> None:
    """The document is kept as it is; both ends are wall times."""
    request = {"box": "heron", "started_ms": 10, "ended_ms": 20, "document": {"hold": 1.5}}
    row = leak_test_of(request, PLAN)
    assert (row.box, row.kind, row.started_ms, row.ended_ms) == ("heron", "leak-test", 10, 20)
    assert row.document == {"hold": 1.5}


@pytest.mark.parametrize(
    "wrong",
    [
        {"box": "egret"},
        {"box": None},
        {"started_ms": "10"},
        {"ended_ms": None},
        {"ended_ms": 5},
        {"document": None},
        {"document": [1]},
    ],
)
def test_a_leak_test_that_is_none_is_refused(wrong: dict[str, object]) -> None:
    """An unknown box, an end before its start, or a part of the wrong kind."""
    request = {"box": "heron", "started_ms": 10, "ended_ms": 20, "document": {}, **wrong}
    with pytest.raises(CommandError):
        leak_test_of(request, PLAN)
