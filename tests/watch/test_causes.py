"""Causes and sensors on a bench: what the table, the judge and the verdicts promise."""

from __future__ import annotations

import ast
import json
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.readings import Quality
from dewline.watch.causes import facts as facts_module
from dewline.watch.causes.facts import Fact, Facts
from dewline.watch.causes.family import Family
from dewline.watch.causes.gas_facts import gas_facts
from dewline.watch.causes.judge import HIGHEST, judge, odds
from dewline.watch.causes.names import CauseName, FactName, fact_name
from dewline.watch.causes.plant_facts import NOTES, supply_facts
from dewline.watch.causes.shape import Form, Rise
from dewline.watch.causes.table import FAMILIES, GAS
from dewline.watch.causes.tell_apart import TELL_APART, TEST_OF
from dewline.watch.derived.forecast import reach
from dewline.watch.sensors.doubt import Doubt
from dewline.watch.watch import Watch
from dewline.watch_plan import Above, AnalyzerPlan, BoxPlan, FalseFor, RulePlan
from tests.watch.conftest import Bench

NAMES = (
    "air-leak leak-at-low-pressure loop-suction-leak glove-torn gas-loss glove-permeation "
    "antechamber-seal transfer wet-load impulse outgassing bed-spent-water bed-spent-oxygen "
    "bed-warm bed-not-reduced bed-poisoned regen-return purifier-bypassed circulation-stopped "
    "circulation-reduced supply-impure supply-low valves-unpowered cooling-water-leak solvent "
    "sensor-frozen sensor-drift sensor-unresponsive sample-line scale-slip instrument-silent "
    "power linked-box weather-or-heat hands purging regenerating unknown"
)
KNOWN = frozenset(NAMES.split())


def said(**truths: float) -> Facts:
    """Facts of these names, with minus signs for the underscores, and these truths."""
    return {fact_name(n.replace("_", "-")): Fact(t, f"{n} {t}") for n, t in truths.items()}


def test_the_table_names_only_known_causes() -> None:
    """Every name of every family and of every test is one that events may bear."""
    names = {name for family in FAMILIES.values() for name in family}
    assert names <= KNOWN
    assert {n for members, _ in TELL_APART for n in members} <= names


def weighed() -> set[str]:
    """The facts that some row of some table weighs."""
    rows = [row for family in FAMILIES.values() for row in family.values()]
    return {name for row in rows for name in (*row.facts, *row.veto, *row.need)}


def literals(node: ast.AST) -> Iterator[str]:
    """The texts in an expression, as patterns: a gas, a form or a mode fills a gap."""
    forms = "|".join(("oxygen", "moisture", *get_args(Form)))
    formatted = [part for part in ast.walk(node) if isinstance(part, ast.JoinedStr)]
    inside = {id(piece) for text in formatted for piece in text.values}
    for text in formatted:
        pieces = (str(p.value) if isinstance(p, ast.Constant) else "*" for p in text.values)
        name = "".join(pieces)
        yield name.replace("*", f"({forms})" if name == "*-*" else "[a-z-]+")
    for part in ast.walk(node):
        if isinstance(part, ast.Constant) and id(part) not in inside:
            yield str(part.value)


def found_names() -> re.Pattern[str]:
    """Every name that some finder gives a fact: what it yields first, or the key it sets."""
    names: list[str] = [name for name, _ in NOTES.values()]
    for file in Path(facts_module.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Yield) and isinstance(node.value, ast.Tuple):
                names += literals(node.value.elts[0])
            elif isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Store):
                names += literals(node.slice)
    return re.compile("|".join(names))


def test_what_the_table_weighs_is_found_somewhere() -> None:
    """A weight on a fact that nobody ever finds would be argued over for nothing."""
    found = found_names()
    assert not found.fullmatch("oxygen-calm")  # or it would let everything pass
    assert weighed() <= set(get_args(FactName))
    assert [name for name in get_args(FactName) if not found.fullmatch(name)] == []


def test_what_is_found_is_weighed_somewhere() -> None:
    """A fact that no table weighs would be found for nothing, if no other is made of it.

    One that is found for each gas counts where it is weighed for either.
    """
    either = {name.replace("moisture", "oxygen") for name in weighed()}
    idle = {n for n in get_args(FactName) if n.replace("moisture", "oxygen") not in either}
    assert idle == {"pressure-dips", "days-straight"}  # parts of below-or-dips and straight-line


def test_nothing_seen_is_unknown() -> None:
    """Without facts no cause is named first."""
    assert judge(GAS, {}).name == "unknown"


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_odds_are_shares(family: Family) -> None:
    """Odds of what is not ruled out sum to one, and no confidence passes the highest."""
    facts = said(oxygen_up=1.0, moisture_up=1.0, loop_stopped=1.0, supply_low=1.0)
    shares = odds(FAMILIES[family], facts)
    assert not shares or sum(shares.values()) == pytest.approx(1.0)
    assert judge(FAMILIES[family], facts).confidence <= HIGHEST


def test_moisture_with_flat_oxygen_is_never_air() -> None:
    """A proven flat oxygen sensor vetoes every hole, however strong the rest."""
    facts = said(oxygen_flat=1.0, moisture_up=1.0, stop_shell_slope=1.0, ratio_air=1.0)
    assert not {"air-leak", "loop-suction-leak", "transfer"} & odds(GAS, facts).keys()


def test_gloves_are_ruled_out_by_mass_balance() -> None:
    """What needs a greater source than all gloves let through is no glove permeation."""
    facts = said(moisture_up=1.0, room_damper=1.0)
    assert "glove-permeation" in odds(GAS, facts)
    assert "glove-permeation" not in odds(GAS, facts | said(moisture_beyond_gloves=1.0))


def test_a_stop_tells_shell_from_loop() -> None:
    """Before a stop a plateau is a set with its test; after it one name."""
    before = said(oxygen_up=1.0, moisture_flat=1.0, oxygen_plateau=1.0, ratio_air=1.0)
    first = judge(GAS, before)
    assert {"air-leak", "loop-suction-leak"} <= {first.name, *first.also}
    assert first.tell_apart is not None
    assert judge(GAS, before | said(stop_shell_slope=1.0)).name == "air-leak"
    loop = judge(GAS, before | said(stop_own_slope=1.0, restart_same_level=1.0))
    assert loop.name == "loop-suction-leak"


def test_a_stop_tells_no_sample_line_from_a_leak_before_the_blower() -> None:
    """Both stand at their own slope and come back to their level: the set is told, and the test."""
    facts = said(oxygen_up=1.0, oxygen_plateau=1.0, stop_own_slope=1.0, restart_same_level=1.0)
    cause = judge(GAS, facts)
    assert {cause.name, *cause.also} == {"loop-suction-leak", "sample-line"}
    assert "sample flow" in (cause.tell_apart or "")


def test_a_change_of_speed_tells_a_true_source_from_a_sample_line() -> None:
    """What comes into the box goes as one over the flow; what comes into the line stays."""
    seen = said(oxygen_up=1.0, oxygen_plateau=1.0)
    stays = odds(GAS, seen | said(speed_unscaled=1.0))
    goes = odds(GAS, seen | said(speed_as_source=1.0))
    assert stays["sample-line"] > 10 * stays["air-leak"]
    assert goes["air-leak"] > 100 * goes["sample-line"]
    assert goes["air-leak"] > 10 * goes["loop-suction-leak"]


def test_a_glove_is_blamed_for_the_gas_it_let_out() -> None:
    """Valves that starve behind a torn glove are its work; where gas failed first they are not."""
    starved = said(oxygen_up=1.0, pressure_lost=1.0, supply_below_valves=1.0, loop_dead_flow=1.0)
    for family in ("gas", "pressure", "supply"):
        assert judge(FAMILIES[family], starved | said(fill_stood_open=1.0)).name == "glove-torn"
        assert judge(FAMILIES[family], starved | said(fill_idle=1.0)).name == "valves-unpowered"


def test_a_rush_of_air_heats_the_bed_not_the_reverse() -> None:
    """Oxygen burns the catalyst: after a rush the warm bed is its consequence."""
    facts = said(oxygen_up=1.0, moisture_up=1.0, bed_warm=1.0, both_up=1.0, oxygen_step=1.0)
    assert judge(FAMILIES["heat"], facts | said(oxygen_rush=1.0)).name == "air-leak"
    assert judge(FAMILIES["heat"], facts).name == "bed-warm"
    assert judge(GAS, facts | said(oxygen_rush=1.0)).name == "air-leak"


def test_a_dose_hidden_by_solvent_accuses_no_sensor() -> None:
    """Once solvent was about, a missed dose is its work first, also after it has gone."""
    doubt = FAMILIES["doubt"]
    missed = said(dose_missed=1.0, solvent_about=0.0)
    assert judge(doubt, missed).name == "sensor-unresponsive"
    assert judge(doubt, missed | said(solvent_about=1.0, solvent_known=1.0)).name == "solvent"
    later = judge(doubt, missed | said(solvent_known=1.0), "solvent")
    assert later.name == "solvent"
    assert later.also == ("sensor-unresponsive",)


def test_what_does_not_decay_was_no_impulse() -> None:
    """A jump may be a dose or a leak; a quarter of an hour later it is either gone or a leak."""
    jump = said(oxygen_up=1.0, oxygen_step=1.0, ratio_air=1.0, no_door=1.0)
    first = judge(GAS, jump)
    assert {"air-leak", "impulse"} <= {first.name, *first.also}
    later = judge(GAS, jump | said(oxygen_held=1.0))
    assert later.name == "air-leak"
    assert "impulse" not in later.also


def test_a_level_that_falls_again_was_not_held() -> None:
    """168 ppm at once: what stands for five minutes may be the sample line; what has come down to

    126 ppm was a dose before a bed that takes little.
    """

    def told(now: float) -> dict[CauseName, float]:
        oxygen = Rise("oxygen", "step", 0.06, now, 168.0, 5.0, 0.3, -900.0, 0.0)
        view: Any = SimpleNamespace(
            rises={"oxygen": oxygen},
            doubts=(),
            tau_min=lambda: 1.27,
            lead=oxygen,
            saturated=lambda _: False,
        )
        return odds(GAS, dict(gas_facts(view)))

    stood, fell = told(168.0), told(126.0)
    assert next(iter(stood)) == "sample-line"
    assert stood["impulse"] < 0.3 * stood["sample-line"]
    assert fell["impulse"] > fell["sample-line"]


def test_a_supply_that_has_shown_nothing_for_days_has_no_usual_pressure() -> None:
    """A gauge at zero: below what moves valves, and no share of a usual pressure is told."""

    def found(bar: float, usual: float) -> Facts:
        history = SimpleNamespace(
            now=lambda _: bar, typical=lambda *_: usual, series=lambda *_: [], number=0
        )
        view: Any = SimpleNamespace(history=history)
        return dict(supply_facts(view))

    assert found(4000.0, 6000.0)["supply-low"].truth == 1.0
    nothing = found(0.0, 0.0)
    assert nothing["supply-below-valves"].truth == 1.0
    assert "supply-low" not in nothing


def test_a_name_told_stays_unless_another_is_clearly_better() -> None:
    """The name told last has something over the others."""
    facts = said(oxygen_up=1.0, oxygen_plateau=1.0, ratio_air=1.0)
    fresh, told = odds(GAS, facts), odds(GAS, facts, "loop-suction-leak")
    assert next(iter(fresh)) == "air-leak"
    assert told["loop-suction-leak"] > 1.5 * fresh["loop-suction-leak"]


def test_one_over_c_foretells_a_spent_bed() -> None:
    """C = 1 / (20 - t) ppm reaches 5 ppm at 19.8 h; at 1 ppm a straight line would be late."""
    points = [(t / 4, 1 / (20 - t / 4)) for t in range(0, 77)]  # until 19 h: 1 ppm
    told = reach(points, 5.0, 0.05)
    assert told is not None
    assert told.low <= 0.8 <= told.high
    assert told.hours < 3


def test_a_morning_at_the_gloves_is_no_end_of_a_bed() -> None:
    """A level that stood at 1 ppm and rises 0.18 ppm as work begins is not foreseen at 5 within
    the day; the same form four times as great is. Sizes from common practice, no source.
    """

    def morning(ppm: float) -> list[tuple[float, float]]:
        return [(t / 15, 1.0 + ppm * max(0.0, (t / 15 - 2.5) / 1.5)) for t in range(61)]

    small, great = (reach(morning(ppm), 5.0, 0.2, "moisture") for ppm in (0.18, 0.72))
    assert small is None or small.hours > 24
    assert great is not None
    assert great.hours < 10


def test_a_plateau_never_reaches_its_limit() -> None:
    """A level that stands has no time to a limit, whatever its noise."""
    rng = random.Random(1)
    points = [(t / 15, 2.0 + rng.gauss(0, 0.02)) for t in range(60)]
    assert reach(points, 5.0, 0.2) is None


def stopped(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Bench:
    """An hour of a clean box, then its blower stops."""
    b = bench(make_rule("stopped", "circulating", FalseFor(180_000), unit="s"))
    rng = random.Random(4)
    for second in range(0, 3600, 5):
        b.at(second, circulating=1.0, oxygen=0.1 + rng.gauss(0, 0.01), moisture=0.2)
    for second in range(3600, 4200, 5):
        b.at(second, circulating=0.0, oxygen=0.1 + (second - 3600) / 3600, moisture=0.2)
    return b


def test_an_event_bears_its_cause_and_the_same_after_a_restore(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A stopped blower is named; a watch restored on the way tells the very same events."""
    b = stopped(bench, make_rule)
    event = b.events[0]
    assert event.transition == "raised"
    assert event.cause.name == "circulation-stopped"
    other = bench(make_rule("stopped", "circulating", FalseFor(180_000), unit="s"))
    for second in range(0, 3600, 5):
        other.at(second, circulating=1.0, oxygen=0.1, moisture=0.2)
        if second % 900 == 0:
            other.freeze()
    assert other.events == []


def test_the_state_is_json_and_whole(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Histories, notes and verdicts go through JSON and come back the same."""
    b = stopped(bench, make_rule)
    b.say("note", box="heron", kind="gloves", why="new left pair")
    state = json.loads(json.dumps(b.watch.save(), allow_nan=False))
    b.freeze()
    assert b.watch.save() == state


def test_a_block_that_stands_still_is_frozen_until_one_number_moves(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Five numbers of one panel bit for bit the same for 5 min: bad, until one differs."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    numbers = {"oxygen": 1.0, "moisture": 2.0, "pressure": 3.0, "temperature": 22.0,
               "blower_speed": 80.0, "pressure_low": 2.0, "pressure_high": 4.0}  # fmt: skip

    def quality() -> Quality:
        return b.watch._parts.signals["heron.oxygen"].quality

    for second in range(0, 320):
        b.at(second, **numbers)
    assert quality() == Quality.FROZEN
    b.at(320, **{**numbers, "oxygen": 12.0})
    assert quality() == Quality.GOOD
    assert [t for _, t, _ in b.told()] == ["raised"]


def test_a_block_of_zeros_is_never_clean(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """All numbers of a panel zero at once is a panel that has just started."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=12.0, moisture=2.0, pressure=3.0, temperature=22.0)
    b.at(1, oxygen=0.0, moisture=0.0, pressure=0.0, temperature=0.0)
    assert [t for _, t, _ in b.told()] == ["raised"]
    assert b.watch._parts.signals["heron.oxygen"].quality == Quality.INSTRUMENT_FAULT


def test_oxygen_that_sinks_at_once_is_no_missed_dose(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A hot cell that falls to its floor while the water stays is doubted, yet no dose was
    missed: the first word on it must not be that the sensor does not respond.
    """
    b = bench(make_rule("unknown", "oxygen_doubt", Above(1.0)))
    hot = AnalyzerPlan("oxygen", "zirconia", "box", 0.05)
    b.watch.plan.boxes["heron"] = BoxPlan(
        name="heron", volume_m3=1.2, purifier="p1", analyzers=(hot,)
    )
    b.drive.watch = Watch(b.watch.plan)
    for second in range(0, 3 * 3600, 10):
        oxygen = 0.3 if second < 7200 else 0.02
        b.at(second, circulating=1.0, oxygen=oxygen + second % 20 * 1e-5, moisture=0.2)
    assert b.events[0].value == float(Doubt.SANK)
    assert [event.cause.name for event in b.events] == ["unknown", "solvent"]


@given(st.sets(st.sampled_from(sorted(weighed())), max_size=8))
def test_no_cause_is_named_alone_below_six_tenths(names: set[str]) -> None:
    """Where the facts leave it open, a set or ``unknown`` is given, and what tells them apart."""
    facts = {fact_name(name): Fact(1.0, name) for name in names}
    for family, table in FAMILIES.items():
        cause = judge(table, facts)
        if cause.name != "unknown" and cause.confidence < 0.6:
            assert cause.also, (family, cause)
        if cause.also:
            assert cause.tell_apart, (family, cause)


def test_every_cause_has_a_test_that_shows_it() -> None:
    """Beside unknown, a single name comes with what would prove it or rule it out."""
    assert set(TEST_OF) == KNOWN - {"unknown"}


def test_a_straight_climb_of_moisture_is_a_drift_and_no_spent_bed() -> None:
    """With oxygen flat: a bed at its end lets through ever more, a source makes a level."""
    climb = said(
        moisture_up=1.0, oxygen_flat=1.0, moisture_straight=1.0, no_door=1.0, moisture_slow=0.1
    )
    before = odds(GAS, climb)
    assert "sensor-drift" not in before
    line = climb | said(hours_straight=1.0, straight_line=1.0)
    assert judge(GAS, line).name == "sensor-drift"
    assert odds(GAS, line)["bed-spent-water"] < 0.1 * before["bed-spent-water"]
    assert "cooling-water-leak" not in judge(GAS, line).also
