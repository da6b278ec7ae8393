"""Contacts, test pages and the ping to the outside, as a user writes them."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewline.config import load
from dewline.config.plan import Plan
from dewline.errors import ConfigError
from dewline.hours import Hours, Span, hours_text

WORK = (0, 1, 2, 3, 4)
HEAD = "site: saltmarsh\nboxes: {heron: {}}\n"


def plan_of(tmp_path: Path, text: str) -> Plan:
    path = tmp_path / "dewline.yaml"
    path.write_text(HEAD + text)
    return load(path).plan


def test_a_daily_test_page_and_a_ping(tmp_path: Path) -> None:
    """Times of day are minutes after midnight; the ping's address comes from a file."""
    plan = plan_of(
        tmp_path,
        'push: {contacts: {desk: {url_file: desk.url, test_at: "09:30"}}}\n'
        "heartbeat: {url_file: ping.url, every: 5 min}\n",
    )
    assert plan.contacts["desk"].test_at_minute == 570
    assert plan.heartbeat is not None
    assert plan.heartbeat.url_file == tmp_path / "ping.url"
    assert plan.heartbeat.every_ms == 300_000
    assert "push-behind" in {rule.rule for rule in plan.watch.rules.values()}


def test_without_them_there_is_neither(tmp_path: Path) -> None:
    """Nothing is sent anywhere that nobody asked for."""
    plan = plan_of(tmp_path, "")
    assert (plan.contacts, plan.heartbeat) == ({}, None)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("push: {contacts: {desk: {url_file: d.url, test_at: 19:30}}}", "test_at"),
        ('push: {contacts: {desk: {url_file: d.url, test_at: "24:00"}}}', "no time of day"),
        ('heartbeat: {url_file: "https://marsh.invalid/canary"}', "is an address"),
        ("heartbeat: {url_file: p.url, every: 10 ms}", "every"),
    ],
)
def test_mistakes_are_told(tmp_path: Path, text: str, says: str) -> None:
    """With the key, and never with an address that may be a secret."""
    with pytest.raises(ConfigError) as caught:
        plan_of(tmp_path, text + "\n")
    assert says in str(caught.value)
    assert "canary" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "spans"),
    [
        ("08:00-18:00", (Span(480, 1080),)),
        ("19:00-07:00", (Span(1140, 420),)),
        ("00:00-24:00", (Span(0, 0),)),
        ("mon-fri 08:00-18:00, sat 09:00-12:00", (Span(480, 1080, WORK), Span(540, 720, (5,)))),
        ("fri-mon 20:00-24:00", (Span(1200, 0, (0, 4, 5, 6)),)),
        ("mon wed holidays 08:00-09:00", (Span(480, 540, (0, 2, 7)),)),
    ],
)
def test_one_grammar_of_hours(tmp_path: Path, text: str, spans: Hours) -> None:
    """The same for ``staffed`` and a contact's ``hours``; and as they are shown they are read."""
    shown = hours_text(spans)
    for written in (text, shown):
        plan = plan_of(
            tmp_path,
            f'staffed: "{written}"\nholidays: ["2026-12-25"]\n'
            f'push: {{contacts: {{desk: {{url_file: desk.url, hours: "{written}"}}}}}}\n',
        )
        assert plan.watch.staffed == plan.contacts["desk"].hours == spans
        assert plan.watch.on_call[0].hours == spans
    assert plan.watch.holidays == ("2026-12-25",)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('staffed: "mon-fri 08:00-12:00, 13:00-18:00"', "'13:00-18:00' names no days"),
        ('staffed: "mo-fr 08:00-18:00"', "'mo-fr 08:00-18:00' is no span of hours"),
        ('staffed: "mon-fri"', "'mon-fri' is no span of hours"),
        ('staffed: "08:00-24:30"', "is no span of hours"),
        ("staffed: 8", "8 is no span of hours"),
        ('holidays: ["25.12.2026"]', "'25.12.2026' is no date"),
        ('holidays: ["2026-02-30"]', "'2026-02-30' is no date"),
    ],
)
def test_hours_that_are_none_are_told(tmp_path: Path, text: str, says: str) -> None:
    """With what is wrong, and with a line that would be right."""
    with pytest.raises(ConfigError) as caught:
        plan_of(tmp_path, text + "\n")
    assert says in str(caught.value)
    assert "write" in str(caught.value)


def test_holidays_that_nothing_or_everything_names_are_told(tmp_path: Path) -> None:
    """A daily span would be staffed on a holiday; a span of holidays needs some."""
    path = tmp_path / "dewline.yaml"
    path.write_text(HEAD + 'staffed: "08:00-18:00"\nholidays: ["2026-12-25"]\n')
    assert "holidays are staffed too" in "".join(map(str, load(path).warnings))
    with pytest.raises(ConfigError, match="names holidays, and there are none"):
        plan_of(tmp_path, 'staffed: "mon-fri 08:00-18:00, holidays 10:00-12:00"\n')
