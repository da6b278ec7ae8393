"""Events that version 1 recorded, read with today's keys.

data/events_of_version_1.jsonl: rows of the table ``event`` as version 1 wrote them. Nobody on
duty, then a contact who did not acknowledge; an acknowledgement; mains power lost and back.
"""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from dewline.events import EventDocument
from dewline.journal import Reader
from tests.journal.conftest import Opener

Documents = tuple[list[EventDocument], list[EventDocument]]
"""All events, and the last one of each alarm."""
TEXTS = (Path(__file__).parent / "data" / "events_of_version_1.jsonl").read_text().splitlines()


@pytest.fixture
async def documents(opened: Opener, path: Path) -> Documents:
    """The events of a record into which version 1 wrote them."""
    async with opened():
        with sqlite3.connect(path) as connection:
            for text in TEXTS:
                event = json.loads(text)
                row = (event["seq"], event["id"], event["at_ms"], event["alarm"], text, 1)
                connection.execute("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", row)
        connection.close()
        with Reader(path) as reader:
            return reader.events(), reader.alarm_table()


def test_every_key_of_today_is_there_and_no_other(documents: Documents) -> None:
    """Readers may ask for any key of an event document, however old the event is."""
    for rows in documents:
        assert {frozenset(row) for row in rows} == {frozenset(EventDocument.__annotations__)}


def test_what_stood_in_why_has_keys_of_its_own(documents: Documents) -> None:
    """Contact and absence come out of an escalation's reason; other reasons stay whole."""
    found = [(e["transition"], e["to"], e["off_duty"], e["why"]) for e in documents[0]]
    assert found[:4] == [
        ("raised", None, False, None),
        ("escalated", "lab-head", True, "nobody was there, day-desk is off duty"),
        ("escalated", "lab-head", False, "night-desk did not acknowledge within 15 min"),
        ("acknowledged", None, False, "on my way"),
    ]


def test_advice_for_the_time_after_has_a_key_of_its_own(documents: Documents) -> None:
    """Advice that begins with ``When`` was shown at the end; all advice stays where it was."""
    advice = "When power is back, restart circulator, analyzers, freezer and regeneration by hand."
    found = [(e["alarm"], e["advice"], e["when_over"]) for e in documents[1]]
    assert found == [
        ("heron.oxygen-high", "Look at the gloves.", None),
        ("room.mains-lost", advice, advice),
    ]


def test_all_else_is_as_it_was_recorded(documents: Documents) -> None:
    """No other word of an old event changes."""
    for text, event in zip(TEXTS, documents[0], strict=True):
        old = json.loads(text)
        assert {key: dict(event)[key] for key in old if key != "why"} == {
            key: old[key] for key in old if key != "why"
        }
