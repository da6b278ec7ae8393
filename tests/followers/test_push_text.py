"""What stands on the lock screen: short, complete, and always with a next step."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewline.config import load
from dewline.events import Cause, Event, Outlook, Transition
from dewline.followers.push import cause_words
from dewline.followers.push.page import Page, PageItem
from dewline.followers.push.page_text import PageWriter
from dewline.followers.push.phrases import clock, duration, figure
from dewline.hours import zone_of
from dewline.watch_plan import (
    Above,
    Below,
    ConditionPlan,
    FalseFor,
    Guard,
    Reaches,
    Rising,
    RulePlan,
    StaleAfter,
    UnchangedFor,
)
from tests.followers.conftest import Story

START_MS = 1_772_417_649_250  # 2026-03-02T02:14:09.250Z
ZONE = zone_of("Europe/Lisbon")
LIMIT = 200
_CAUSES = Path(__file__).parents[2] / "daemon" / "dewline" / "watch" / "causes"


def rule(alarm: str, condition: ConditionPlan, **more: Any) -> RulePlan:
    place = alarm.partition(".")[0]
    name = alarm.partition(".")[2]
    return RulePlan(
        alarm=alarm,
        place=place,
        rule=name,
        signal=more.pop("signal", f"{place}.moisture"),
        condition=condition,
        unit=more.pop("unit", "ppm"),
        **more,
    )


def writer(*rules: RulePlan) -> PageWriter:
    return PageWriter("saltmarsh", ZONE, {r.alarm: r for r in rules})


def lines(page: Page) -> str:
    return f"{page.title}\n{page.text}"


def test_a_climb_is_told_as_a_person_would(story: Story) -> None:
    """What, how bad, since when, why, how long there is, what to do: all on one screen."""
    document = story.event(
        alarm="heron.moisture-climbing",
        value=1.1,
        limit=0.3,
        limit_unit="ppm/h",
        since_ms=START_MS - 16_200_000,
        cause=Cause("bed-spent-water", 0.8),
        outlook=Outlook(5.0, "ppm", 15_600.0, 10_800.0, 21_600.0),
        advice="Keep inner doors shut, cap samples; regenerate at 8.",
    )
    page = writer(rule("heron.moisture-climbing", Rising(0.3, 5_400_000, 0.95))).alarm(
        PageItem(document), START_MS
    )
    assert page.title == "high · saltmarsh"
    assert page.text == (
        "HERON moisture 1.1 ppm, climbing more than 0.3 ppm/h since 21:44. "
        "5 ppm about 06:34 (05:14-08:14). Keep inner doors shut, cap samples; regenerate at 8."
    )
    assert "cause: bed spent water (0.8)" in page.rest


@pytest.mark.parametrize(
    ("condition", "fields", "begins"),
    [
        (Above(5.0), {}, "HERON moisture 6.2 ppm, above 5 ppm since 02:14."),
        (
            Above(5.0),
            {"value": 250_000.0, "quality": "uncertain/over-range"},
            "HERON moisture over its range, above 5 ppm since",
        ),
        (
            Above(5.0),
            {
                "value": 250_000.0,
                "quality": "uncertain/over-range",
                "last_good": {"value": 41.0, "time": "2026-03-02T02:14:05.000Z"},
            },
            "HERON moisture over its range (last 41 ppm, 4 s before), above 5 ppm since",
        ),
        (
            Below(-8.0),
            {
                **{"signal": "heron.pressure", "value": -20.0, "unit": "mbar"},
                **{"limit": -8.0, "limit_unit": "mbar", "quality": "uncertain/under-range"},
                "last_good": {"value": -9.5, "time": "2026-03-02T02:12:09.000Z"},
            },
            "HERON pressure under its range (last -9.5 mbar, 2 min before), below -8 mbar since",
        ),
        (
            StaleAfter(60_000),
            {
                **{"quality": "bad/no-answer", "value": None, "limit": 60.0, "limit_unit": "s"},
                "last_good": {"value": 0.4, "time": "2026-03-02T02:11:09.000Z"},
            },
            "HERON moisture NOT WATCHED, no reading (last 0.4 ppm, 3 min before) since 02:14.",
        ),
        (
            StaleAfter(60_000),
            {"quality": "bad/no-answer", "value": None, "limit": 60.0, "limit_unit": "s"},
            "HERON moisture NOT WATCHED, no reading since 02:14.",
        ),
        (
            UnchangedFor(21_600_000, None),
            {"limit": 21600.0, "limit_unit": "s"},
            "HERON moisture stands still at 6.2 ppm since 02:14.",
        ),
        (
            FalseFor(180_000),
            {"signal": "heron.circulating", "value": 0.0, "unit": None, "limit_unit": "s"},
            "HERON circulation stopped since 02:14.",
        ),
    ],
)
def test_every_kind_of_condition_has_its_words(
    story: Story,
    condition: Above | FalseFor | StaleAfter | UnchangedFor,
    fields: dict[str, Any],
    begins: str,
) -> None:
    """A level, a slope, silence, stillness and a switch each read as what they are."""
    document = story.event(**fields)
    page = writer(rule("heron.moisture-high", condition)).alarm(PageItem(document), START_MS)
    assert page.text.startswith(begins)
    assert page.text.endswith("Close both inner doors, look at the last transfer.")


def test_the_house_speaks_of_itself(story: Story) -> None:
    """An alarm of the daemon's own box names the part that is lost."""
    document = story.event(
        alarm="daemon.analyzers-lost",
        signal="daemon.analyzers-link",
        value=0.0,
        unit=None,
        limit=10.0,
        limit_unit="s",
        advice="Nothing on bus analyzers is read: check its cable, converter, plug and network.",
    )
    page = writer().alarm(PageItem(document), START_MS)
    assert page.text.startswith("DEWLINE analyzers lost since 02:14. Nothing on bus analyzers")


def test_an_end_says_how_long_and_what_is_left_to_do(story: Story) -> None:
    """Over: when, after how long, what it is now, and whether anybody has to do something."""
    raised = story.event("raised")
    ended = story.event("returned", at_s=7800, value=3.2)
    page = writer().over(PageItem(ended, raised=raised), START_MS + 7_800_000)
    assert page.text == (
        "OVER at 04:24 after 2 h 10 min: HERON moisture above 5 ppm, now 3.2 ppm. "
        "Nobody has acknowledged: do so once you know why."
    )
    assert page.tone == "over"


def test_a_repeat_has_the_same_id_and_says_so(story: Story) -> None:
    """Marked in the title and below; still under 200 characters."""
    page = writer().alarm(PageItem(story.event(advice="x " * 300)), START_MS)
    again = page.repeated()
    assert again.id == page.id
    assert "again?" in again.title
    assert "may have reached you before" in again.body
    assert again.repeated() == again
    assert len(lines(again)) < LIMIT


def test_a_test_page_says_that_there_is_nothing_to_do() -> None:
    """Nobody is to be woken into action by a test."""
    page = writer().test("night-desk", START_MS)
    assert page.text == "TEST for night-desk, 02:14: pages of dewline reach you. Nothing to do."


def test_a_page_without_advice_still_has_a_next_step(story: Story) -> None:
    """A rule of a user's own may have none."""
    page = writer().alarm(PageItem(story.event(advice=None)), START_MS)
    assert page.text.endswith("Go and look, then acknowledge.")


@pytest.mark.long
def test_every_rule_of_the_example_fits() -> None:
    """Every alarm of the example config, own ones included: under 200 with title and step."""
    plan = load(Path(__file__).parents[2] / "config" / "example.yaml").plan
    pages = PageWriter(plan.site, ZONE, plan.watch.rules)
    for one in plan.watch.rules.values():
        event = Event(
            id="0" * 16,
            seq=1,
            time_ms=START_MS,
            at_ms=START_MS,
            site=plan.site,
            box=one.place,
            alarm=one.alarm,
            transition="raised",
            state="unacknowledged",
            priority=one.priority,
            signal=one.signal,
            value=123.456,
            unit="ppm",
            quality="good",
            limit=-0.123,
            limit_unit=one.unit or None,
            advice=one.advice,
            caution=one.caution,
        )
        page = pages.alarm(PageItem(event.document()), START_MS + 86_400_000)
        assert len(lines(page.repeated())) < LIMIT, page.text
        assert one.advice is not None, one.alarm
        assert one.advice[:30] in page.text, page.text


WORDS = st.one_of(st.none(), st.text(max_size=400))


@pytest.mark.long
@settings(max_examples=200)
@given(
    advice=WORDS,
    caution=WORDS,
    why=WORDS,
    value=st.one_of(st.none(), st.floats(-1e12, 1e12)),
    transition=st.sampled_from(["raised", "escalated", "reminded", "chattering", "unshelved"]),
    late_s=st.integers(0, 10**7),
    place=st.from_regex(r"[a-z][a-z0-9-]{0,39}", fullmatch=True),
)
def test_no_text_is_ever_too_long(
    advice: str,
    caution: str,
    why: str,
    value: float | None,
    transition: Transition,
    late_s: int,
    place: str,
) -> None:
    """Whatever an event says: title and text stay under 200, and there is a next step."""
    event = Event(
        id="0" * 16,
        seq=1,
        time_ms=START_MS,
        at_ms=START_MS,
        site="s" * 40,
        box=place,
        alarm=f"{place}.{'r' * 40}",
        transition=transition,
        state="unacknowledged",
        priority="critical",
        signal=f"{place}.{'q' * 40}",
        value=value,
        unit="ppm",
        quality="good",
        limit=1e9,
        limit_unit="ppm",
        why=why,
        advice=advice,
        caution=caution,
        cause=Cause("air-leak", 0.5, ("glove-torn",) * 9, ("evidence",) * 5),
        outlook=Outlook(5.0, "ppm", 1e5, 1e4, 1e6),
    )
    pages = PageWriter("s" * 40, ZONE, {})
    told = PageItem(event.document(), raised=event.document())
    now_ms = START_MS + late_s * 1000
    for page in (
        pages.alarm(PageItem(event.document()), now_ms),
        pages.over(told, now_ms),
        pages.digest([told] * 3, now_ms, why="late"),
        pages.digest([PageItem(event.document())] * 500, now_ms, why="flood"),
    ):
        assert len(lines(page.repeated())) < LIMIT
        assert page.text


def test_numbers_times_and_spans_read_well() -> None:
    """Three digits are enough; the day is named where it is not today or last night."""
    assert figure(0.1234, "ppm") == "0.123 ppm"
    assert figure(1234.5, "ppm") == "1234 ppm"
    assert figure(209_460.0, "ppm") == "20.9 %"
    assert figure(3986.0, "mbar") == "3.99 bar"
    assert figure(-1.25, "mbar") == "-1.25 mbar"
    assert figure(None, "ppm") == "no reading"
    assert clock(START_MS, ZONE, START_MS) == "02:14"
    assert clock(START_MS - 5 * 3_600_000, ZONE, START_MS) == "21:14"
    assert clock(START_MS, ZONE, START_MS + 2 * 86_400_000) == "Mon 02:14"
    assert clock(START_MS, ZONE, START_MS + 30 * 86_400_000) == "2 Mar 02:14"
    assert duration(5_000) == "5 s"
    assert duration(180_000) == "3 min"
    assert duration(7_200_000) == "2 h"
    assert duration(4 * 86_400_000) == "4 d"


def test_what_is_back_within_its_limit_but_not_over_yet_is_not_told_as_below(story: Story) -> None:
    """An escalation in the off-delay: the reading of now, and the side it had gone to."""
    document = story.event(
        "escalated", value=3.0, to="lab-head", why="night-desk did not acknowledge within 15 min"
    )
    page = writer(rule("heron.moisture-high", Above(5.0))).alarm(PageItem(document), START_MS)
    assert page.text.startswith("NO ANSWER YET: HERON moisture 3 ppm, was above 5 ppm since")
    assert "\nwhy: lab-head: night-desk did not acknowledge within 15 min\n" in page.rest


def test_an_outlook_on_the_good_side_is_a_way_back(story: Story) -> None:
    """8 ppm is ahead of 36 ppm above a limit of 10: it mends by itself."""
    outlook = Outlook(8.0, "ppm", 3600.0, 3000.0, 4500.0)
    page = writer().alarm(PageItem(story.event(value=36.3, limit=10.0, outlook=outlook)), START_MS)
    assert " Back to 8 ppm about 03:14 (03:04-03:29). " in page.text


@pytest.mark.parametrize(
    ("signal", "begins"),
    [
        ("heron.large_pressure", "HERON large antechamber pressure"),
        ("heron.large_inner_door", "HERON large antechamber inner door"),
        ("p1.forming_gas_pressure", "HERON P1 forming gas pressure"),
        ("room.room_oxygen", "HERON ROOM oxygen"),
        ("heron.frost_point", "HERON frost point"),
    ],
)
def test_a_signal_is_called_by_its_place_and_role(story: Story, signal: str, begins: str) -> None:
    """An antechamber is named as one; what belongs to another place names that place too."""
    page = writer().alarm(PageItem(story.event(signal=signal)), START_MS)
    assert page.text.startswith(f"{begins} 6.2 ppm")


def test_an_outlook_of_days_waits_for_the_morning(story: Story) -> None:
    """On the lock screen only what comes within a day."""
    outlook = Outlook(100.0, "ppm", 3 * 86_400.0, None, None)
    page = writer().alarm(PageItem(story.event(outlook=outlook)), START_MS)
    assert "100 ppm" not in page.text


def test_a_value_just_past_its_limit_is_not_told_as_the_limit(story: Story) -> None:
    """3997 mbar below 4000 mbar is 3.997 bar below 4 bar."""
    document = story.event(value=3997.0, unit="mbar", limit=4000.0, limit_unit="mbar")
    assert "3.997 bar, below 4 bar" in writer().alarm(PageItem(document), START_MS).text


def test_every_cause_has_words_of_its_own() -> None:
    """No name of the table reaches a lock screen, and no two causes are called the same."""
    tables = "".join(path.read_text() for path in _CAUSES.rglob("*.py"))
    names = set(re.findall(r'"([a-z-]+)": Weighed\(', tables)) - {"unknown"}
    assert len(names) > 30
    assert names <= set(cause_words.WORDS)
    assert len(set(cause_words.WORDS.values())) == len(cause_words.WORDS)


@pytest.mark.parametrize(
    ("alarm", "cause", "said"),
    [
        ("heron.oxygen-high", Cause("glove-torn", 0.9), "Probably a torn glove."),
        ("heron.oxygen-high", Cause("air-leak", 0.5, ("transfer",)), "Perhaps an air leak or the"),
        ("heron.mains-lost", Cause("power", 0.9), ""),
        ("heron.dirty-transfer-large", Cause("transfer", 0.9), ""),
        ("daemon.panel-lost", Cause("instrument-silent", 0.9), ""),
        ("heron.circulation-stopped", Cause("circulation-stopped", 0.9, ("power",)), "a power cut"),
        ("heron.oxygen-high", Cause("unknown", 0.0), ""),
    ],
)
def test_a_cause_is_told_in_words_and_not_where_the_alarm_says_it(
    story: Story, alarm: str, cause: Cause, said: str
) -> None:
    """How sure, in a word; a lost mains is not explained by a power cut."""
    text = writer().alarm(PageItem(story.event(alarm=alarm, cause=cause)), START_MS).text
    assert said in text
    assert bool(said) == ("Probably" in text or "Perhaps" in text)


def test_a_caution_comes_before_the_cause_and_in_short_where_it_has_to(story: Story) -> None:
    """What keeps a person alive is chosen first; half of it is better than none."""
    caution = "Inert gas takes consciousness without warning; heed the fixed room monitor."
    cause = Cause("glove-torn", 0.9)
    advice = "Look for an open glove, door or line, and listen for gas; look at it from outside."
    text = writer().alarm(
        PageItem(story.event(caution=caution, cause=cause, advice=advice)), START_MS
    )
    assert "Heed the fixed room monitor." in text.text
    assert "Inert gas takes" not in text.text
    short = writer().alarm(PageItem(story.event(caution=caution, advice="Look.")), START_MS)
    assert caution in short.text


def test_what_ends_with_its_guard_is_not_told_as_over(story: Story) -> None:
    """Pumping has stopped at 24.7 mbar: nothing is over, it is judged no more."""
    alarm, signal = "heron.pump-down-slow", "heron.large_pressure"
    guard = Guard("heron.large_evacuating", "above", 0.5)
    pages = writer(rule(alarm, Above(6.0), signal=signal, unit="mbar", only_while=guard))
    fields: dict[str, Any] = {"signal": signal, "unit": "mbar", "limit": 6.0, "limit_unit": "mbar"}
    raised = story.event("raised", alarm, value=22.9, **fields)
    for value, begins in ((24.7, "NOT JUDGED any more at 02:44"), (4.0, "OVER at 02:44")):
        ended = story.event("returned", alarm, 1800, value=value, **fields)
        text = pages.over(PageItem(ended, raised=raised), START_MS + 1_800_000).text
        assert text.startswith(f"{begins} after 30 min: HERON large antechamber pressure above 6")


@pytest.mark.parametrize(
    ("limit", "words"), [(1.5, "HERON oxygen not to be trusted"), (0.5, "HERON oxygen not proven")]
)
def test_a_doubt_is_told_in_words(story: Story, limit: float, words: str) -> None:
    """A number from 0 to 2 says nothing to anybody."""
    document = story.event(
        alarm="heron.oxygen-unknown",
        signal="heron.oxygen_doubt",
        value=2.0,
        unit=None,
        limit=limit,
        limit_unit=None,
    )
    doubt = rule("heron.oxygen-unknown", Above(limit), signal="heron.oxygen_doubt", unit="")
    for told in (PageItem(document), PageItem(document, deferred=True)):
        assert words in writer(doubt).alarm(told, START_MS).text
    assert words in writer(doubt).over(PageItem(document, raised=document), START_MS).text


def test_an_outlook_that_is_gone_is_over(story: Story) -> None:
    """On its way to 5 ppm, and now at 0.4: a forecast has no side to stand off on."""
    guard = Guard("heron.moisture", "above", 0.8)
    soon = rule("heron.moisture-soon", Reaches(5.0, 36_000_000), only_while=guard)
    raised = story.event("raised", "heron.moisture-soon", value=1.5)
    ended = story.event("returned", "heron.moisture-soon", 3600, value=0.4)
    page = writer(soon).over(PageItem(ended, raised=raised), START_MS + 3_600_000)
    assert page.text.startswith("OVER at 03:14 after 60 min: HERON moisture on its way to 5 ppm")


def test_a_stopped_loop_says_since_when_how_fast_and_until_when(story: Story) -> None:
    """The page of a trip at night: the stop, the gas and its pace, the limit, the next step."""
    guard = Guard("heron.circulating", "below", 0.5)
    name = "heron.oxygen-soon-stopped"
    soon = rule(name, Reaches(5.0, 36_000_000), only_while=guard, signal="heron.oxygen")
    document = story.event(
        "raised",
        name,
        signal="heron.oxygen",
        value=0.9,
        since_ms=START_MS - 1_920_000,
        outlook=Outlook(5.0, "ppm", 10_540.0, 7000.0, 14_000.0),
        cause=Cause("circulation-stopped", 0.9),
        advice="Restart it at the panel if on site; closed samples can wait. Doors shut.",
    )
    assert writer(soon).alarm(PageItem(document), START_MS).text == (
        "HERON circulation stopped since 01:42: oxygen 0.9 ppm, +1.4 ppm/h. "
        "5 ppm about 05:09 (04:10-06:07). "
        "Restart it at the panel if on site; closed samples can wait. Doors shut."
    )


def test_the_end_of_a_power_cut_names_the_boxes_that_stand(story: Story) -> None:
    """Whoever was called for the cut reads in one page where circulation has to be started."""
    cut = rule("room.mains-lost", FalseFor(10_000), signal="room.mains_present")
    more: dict[str, Any] = {
        "signal": "room.mains_present",
        "unit": None,
        "value": 1.0,
        "limit": 10.0,
        "limit_unit": "s",
        "when_over": "When power is back, restart circulator and freezer by hand.",
    }
    raised = story.event("raised", "room.mains-lost", **more)
    ended = story.event("returned", "room.mains-lost", 2580, stopped_at=("heron", "egret"), **more)
    text = writer(cut).over(PageItem(ended, raised=raised), START_MS + 2_580_000).text
    assert "CIRCULATION STANDS at HERON, EGRET. When power is back, restart circulator" in text
    nowhere = story.event("returned", "room.mains-lost", 2580, **more)
    assert "STANDS" not in writer(cut).over(PageItem(nowhere, raised=raised), START_MS).text


def test_what_comes_and_goes_is_not_always_a_limit_s_fault(story: Story) -> None:
    """A level wants a wider deadband; a link that comes and goes wants a look at its cable."""
    level = rule("heron.moisture-high", Above(5.0))
    link = rule("daemon.panel-lost", FalseFor(10_000), signal="daemon.panel-link")
    for alarm, widen in (("heron.moisture-high", True), ("daemon.panel-lost", False)):
        document = story.event("chattering", alarm, why="raised and returned 3 times in a minute")
        text = writer(level, link).alarm(PageItem(document), START_MS).text
        assert "comes and goes (raised and returned 3 times" in text
        assert ("deadband" in text) is widen
