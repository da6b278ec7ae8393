"""``check`` says who is paged at which hours, where nobody is, and what may hold a page back."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.cli import main
from dewline.config.loader import Loaded
from dewline.config.who_hears import HeldBack, Paged, Week

Load = Callable[[str], Loaded]
STAFFED = 'staffed: "mon-fri 08:00-18:00"\n'
PLACES = ("heron", "egret", "p1", "house", "daemon")
ALL = ("critical", "high", "medium", "low")
TWO = """\
push:
  contacts:
    day: {url_file: day.url, from_priority: medium, hours: "mon-fri 08:00-18:00"}
    night: {url_file: night.url, from_priority: high, hours: "%s"}
"""


def paged(small: str, loaded: Load, push: str, more: str = STAFFED) -> list[Paged]:
    return Week(loaded(small + more + push).plan.watch).paged()


def test_two_desks_share_the_day_and_leave_the_weekend(small: str, loaded: Load) -> None:
    """By day and in the nights of the week; from Saturday 08:00 to Sunday 18:00 nobody hears."""
    high, medium, low = paged(small, loaded, TWO % "sun-fri 18:00-08:00")
    assert high == Paged(
        PLACES,
        ("critical", "high"),
        (
            ("mon-fri 08:00-18:00", ("day",)),
            ("mon-fri sun 18:00-08:00", ("night",)),
            ("sat 08:00 to sun 18:00", ()),
        ),
    )
    assert medium.priorities == ("medium",)
    assert medium.who == (
        ("mon-fri 08:00-18:00", ("day",)),
        ("mon-thu 18:00-08:00, fri 18:00 to mon 08:00", ()),
    )
    assert (low.priorities, low.who) == (("low",), (("always", ()),))


def test_who_is_called_because_nobody_is_on_duty_is_named(small: str, loaded: Load) -> None:
    """The desk is there by day; at other hours it goes on to the head at once."""
    push = (
        'push: {contacts: {desk: {url_file: d.url, hours: "08:00-18:00", escalate_after: 5 min, '
        "then: head}, head: {url_file: h.url}}}\n"
    )
    high, medium = paged(small, loaded, push)
    assert high.who == (("08:00-18:00", ("desk",)), ("18:00-08:00", ("head",)))
    assert (medium.priorities, medium.who) == (("medium", "low"), (("always", ()),))


def test_holidays_are_a_day_of_their_own(small: str, loaded: Load) -> None:
    """Whoever is there on weekdays is not there on a holiday."""
    push = 'push: {contacts: {day: {url_file: d.url, hours: "mon-sun 08:00-18:00"}}}\n'
    (high, _) = paged(small, loaded, push, 'holidays: ["2026-12-25"]\n')
    assert high.who == (
        ("mon-sun 08:00-18:00", ("day",)),
        ("mon-sun 18:00-08:00, holidays 00:00-24:00", ()),
    )


def test_a_box_with_contacts_of_its_own_has_its_own_line(small: str, loaded: Load) -> None:
    """Places with the same answer stand together."""
    own = small.replace("  egret:\n", "  egret:\n    contacts: [b]\n")
    rows = paged(own, loaded, "push: {contacts: {a: {url_file: a.url}, b: {url_file: b.url}}}\n")
    who = {row.places: row.who for row in rows if "high" in row.priorities}
    assert who[("egret",)] == (("always", ("b",)),)
    assert who[("heron", "p1", "house", "daemon")] == (("always", ("a", "b")),)


def held(small: str, loaded: Load, push: str) -> dict[str, HeldBack]:
    rules = "  stop: {signal: circulating, false_for: 3 min, priority: medium}\n"
    text = small.replace("on_delay: 2 min,", "under: [stop], suppress_while: {purging: 4 h},")
    week = Week(loaded(text + rules + STAFFED + push).plan.watch)
    return {row.alarm: row for row in week.held_back()}


@pytest.mark.long
def test_what_may_hold_a_page_back_is_listed_with_its_hours(small: str, loaded: Load) -> None:
    """A medium parent does so by day, when somebody hears of it; the bus at any time."""
    row = held(small, loaded, TWO % "18:00-08:00")["heron.moisture-high"]
    assert row.parents == (
        ("heron.stop", "mon-fri 08:00-18:00"),
        ("daemon.trace-silent", "always"),
    )
    assert row.modes == (("purging", 4 * 3_600_000),)
    desk = "push: {contacts: {desk: {url_file: d.url}}}\n"
    row = held(small, loaded, desk)["heron.moisture-high"]
    assert row.parents == (("daemon.trace-silent", "always"),)
    assert "heron.stop" not in held(small, loaded, desk)  # it pages nobody


def test_check_prints_it_and_warns_of_the_hours_of_nobody(
    small: str, write: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """As lines, as JSON, and as a warning that is repeated at the end."""
    path = write(small + STAFFED + TWO % "sun-fri 18:00-08:00")
    main(["check", str(path)])
    told = "".join(capsys.readouterr())
    assert "  critical, high alarms of heron, egret, p1, house, daemon\n" in told
    assert "    sat 08:00 to sun 18:00: NOBODY; what still stands is told when" in told
    assert "  heron.moisture-high: told as daemon.trace-silent\n" in told
    warning = "NOBODY is paged sat 08:00 to sun 18:00 for critical or high alarms of heron"
    assert warning in told.partition("no errors")[2]
    main(["check", str(path), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert document["paged"][0]["who"][2] == ["sat 08:00 to sun 18:00", []]
    assert {"alarm", "parents", "modes"} == set(document["held_back"][0])


def test_without_contacts_check_says_that_nobody_is_paged(
    small: str, write: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """One line; what is wanted so is no mistake."""
    main(["check", str(write(small))])
    assert "  nobody: there is no `push:`" in "".join(capsys.readouterr())
