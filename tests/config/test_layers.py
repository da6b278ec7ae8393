"""Rules lie in layers; a later layer changes single keys and disarms nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from dewline.config import load
from dewline.config.loader import Loaded
from dewline.config.profiles import BUILTIN
from dewline.errors import Problem
from dewline.watch_plan import Above, Count, FalseFor, Guard, Rising, TrueFor

Load = Callable[[str], Loaded]
SETS = "rule_sets: [inert-box]\n"


def off_of(loaded: Loaded) -> dict[str, str]:
    return {off.rule: off.why for off in loaded.off}


def test_one_box_overrides_one_key(small: str, loaded: Load) -> None:
    """A box's own limit leaves its other keys and every other box as they were."""
    egret = "  egret:\n    rules: {moisture-high: {above: 3 ppm}}\n"
    rules = loaded(small.replace("  egret:\n", egret)).plan.watch.rules
    mine, other = rules["egret.moisture-high"], rules["heron.moisture-high"]
    assert mine.condition == Above(3.0)
    assert other.condition == Above(5.0)
    assert (mine.deadband, mine.on_delay_ms, mine.priority) == (1.0, 120_000, "high")


@pytest.mark.long
def test_every_rule_stays_armed_beside_an_override(small: str, loaded: Load) -> None:
    """Changing one rule of one box takes no alarm away anywhere."""
    egret = "  egret:\n    rules: {moisture-high: {above: 3 ppm}}\n"
    plain = loaded(SETS + small).plan.watch.rules
    changed = loaded(SETS + small.replace("  egret:\n", egret)).plan.watch.rules
    assert set(changed) == set(plain)
    assert {a for a in plain if plain[a] != changed[a]} == {"egret.moisture-high"}


@pytest.mark.parametrize(("limit", "warned"), [("", True), (" else 5 mbar", False)])
def test_a_limit_that_hangs_on_a_reading_alone_is_warned_of(
    small: str, loaded: Load, limit: str, warned: bool
) -> None:
    """While the setpoint is not read nobody would be told; `else` names the limit for that time."""
    text = small.replace(
        "panel.box_pressure", "panel.box_pressure\n      pressure_high: panel.pressure_high"
    )
    text += f"  too-high: {{signal: pressure, above: pressure_high + 2 mbar{limit}}}\n"
    keys = [warning.key for warning in loaded(text).warnings]
    assert ("rules.too-high.above" in keys) is warned


def test_a_new_condition_takes_the_old_ones_place(small: str, loaded: Load) -> None:
    """`above` in a later layer replaces `rising`, with what belongs to it."""
    text = SETS + small + "  moisture-climbing: {above: 2 ppm}\n"
    rule = loaded(text).plan.watch.rules["heron.moisture-climbing"]
    assert rule.condition == Above(2.0)
    assert rule.off_delay_ms == 3_600_000


def test_the_same_condition_keeps_its_companions(small: str, loaded: Load) -> None:
    """A new limit for `rising` keeps the `over` of the layer below, and the other way round."""
    limit = loaded(SETS + small + "  moisture-climbing: {rising: 1 ppm/h}\n")
    assert limit.plan.watch.rules["heron.moisture-climbing"].condition == Rising(
        1.0, 90 * 60_000, 0.95
    )
    over = loaded(SETS + small + "  moisture-climbing: {over: 2 h}\n")
    assert over.plan.watch.rules["heron.moisture-climbing"].condition == Rising(
        0.3, 2 * 3_600_000, 0.95
    )


def test_layers_are_told(small: str, loaded: Load) -> None:
    """Each value of an effective rule names the layer it came from, as it was written there."""
    egret = "  egret:\n    rules: {moisture-high: {off_delay: 7 min}}\n"
    effective = loaded(SETS + small.replace("  egret:\n", egret)).effective
    told = {s.key: (s.value, s.layer) for s in effective["egret.moisture-high"]}
    assert told["off_delay"] == ("7 min", "boxes.egret.rules")
    assert told["above"] == ("5 ppm", "rules")
    assert told["under"] == (
        [
            *(
                "moisture-very-high",
                "moisture-rush",
                "moisture-soon",
                "moisture-soon-stopped",
                "circulation-stopped",
            ),
            "supply-very-low",
        ],
        "inert-box",
    )


def test_what_remains_after_the_end_is_a_key_of_its_own(small: str, loaded: Load) -> None:
    """`when_over` is layered like `advice` and leaves that one as it is."""
    text = small.replace("high}", "high, advice: Close it., when_over: Open it.}")
    egret = "  egret:\n    rules: {moisture-high: {when_over: Note it.}}\n"
    rules = loaded(text.replace("  egret:\n", egret)).plan.watch.rules
    heron, egret_rule = rules["heron.moisture-high"], rules["egret.moisture-high"]
    assert (heron.advice, heron.when_over) == ("Close it.", "Open it.")
    assert (egret_rule.advice, egret_rule.when_over) == ("Close it.", "Note it.")


def test_advice_for_the_time_after_counts_as_such(small: str, loaded: Load) -> None:
    """Configs had it in `advice`, beginning with When; another advice takes it along."""
    text = small.replace("high}", "high, advice: When it is dry open it.}")
    rule = loaded(text).plan.watch.rules["heron.moisture-high"]
    assert rule.advice == rule.when_over == "When it is dry open it."
    egret = "  egret:\n    rules: {moisture-high: {advice: Look at it.}}\n"
    for first in (text, text.replace("dry open it.", "dry open it., when_over: Open it.")):
        rule = loaded(first.replace("  egret:\n", egret)).plan.watch.rules["egret.moisture-high"]
        assert (rule.advice, rule.when_over) == ("Look at it.", None)


def test_disabled_needs_a_reason_and_is_listed(small: str, loaded: Load) -> None:
    """A rule is switched off by `disabled: REASON` only, for one box or for all."""
    egret = "  egret:\n    rules: {moisture-high: {disabled: being rebuilt}}\n"
    one = loaded(small.replace("  egret:\n", egret))
    assert "egret.moisture-high" not in one.plan.watch.rules
    assert "heron.moisture-high" in one.plan.watch.rules
    assert off_of(one) == {"moisture-high": "disabled: being rebuilt"}
    every = loaded(SETS + small + "  moisture-frozen: {disabled: sensor of another kind}\n")
    assert not [a for a in every.plan.watch.rules if a.endswith("moisture-frozen")]
    assert off_of(every)["moisture-frozen"] == "disabled: sensor of another kind"


def test_built_in_rules_without_a_signal_are_off_and_listed(small: str, loaded: Load) -> None:
    """A set speaks where it can and says which signal would turn the rest on."""
    result = loaded(SETS + small)
    rows = {(off.rule, off.place): off.signal for off in result.off}
    assert rows["oxygen-high", "egret"] == "oxygen"
    assert rows["freezer-warm", "heron"] == "freezer_temperature"
    assert rows["room-oxygen-low", None] == "room_oxygen"
    assert ("oxygen-high", "heron") not in rows


def test_a_site_can_bring_its_own_set(
    small: str, write: Callable[[str, str], Path], tmp_path: Path
) -> None:
    """A path, or a name under rules/, is a set like those that are built in, in its order."""
    write("rules:\n  moisture-high: {above: 4 ppm, priority: low}\n", "rules/ours.yaml")
    text = small.replace("signal: moisture, above: 5 ppm", "night: medium")
    path = write("rule_sets: [inert-box, ours]\n" + text, "dewline.yaml")
    rule = load(path).plan.watch.rules["heron.moisture-high"]
    assert (rule.condition, rule.priority, rule.night) == (Above(4.0), "high", "medium")
    path = write("rule_sets: [inert-box, rules/ours.yaml]\n" + text, "dewline.yaml")
    assert load(path).plan.watch.rules["heron.moisture-high"] == rule


def test_antechambers_expand(small: str, loaded: Load) -> None:
    """`{antechamber}` makes one alarm a chamber, named after it, guard and all."""
    rules = loaded(SETS + small).plan.watch.rules
    both = rules["heron.both-doors-open-large"]
    assert both.signal == "heron.large_inner_door"
    assert both.condition == TrueFor(1000)
    assert both.only_while == Guard("heron.large_outer_door", "above", 0.5)
    assert (both.priority, both.suppress_while) == ("critical", ())


def test_a_guard_may_have_two_limits(
    small: str, loaded: Load, wrong: Callable[[str], list[Problem]]
) -> None:
    """`between` takes both with their units; the lower one has to come first."""
    rule = "  dry: {signal: oxygen, above: 2 ppm, only_while: moisture between %s}\n"
    rules = loaded(small + rule % "100 ppb and 3 ppm").plan.watch.rules
    assert rules["heron.dry"].only_while == Guard("heron.moisture", "between", 0.1, 3.0)
    problems = wrong(small + rule % "3 ppm and 100 ppb")
    assert any("lower one first" in p.remedy for p in problems)
    assert wrong(small + rule % "3 ppm") != []


def test_a_limit_may_be_a_signal(small: str, loaded: Load) -> None:
    """A limit that names a role becomes the full name of that signal."""
    text = small.replace(
        "      circulating: panel.circulating\n",
        "      circulating: panel.circulating\n      pressure_high: panel.pressure_high\n",
    )
    rules = loaded(
        text + "  over-band: {signal: pressure, above: pressure_high}\n"
    ).plan.watch.rules
    assert rules["heron.over-band"].condition == Above("heron.pressure_high")


def test_count_wraps_its_condition(small: str, loaded: Load) -> None:
    """`count` and `within` stand beside the condition they count."""
    text = small + "  bursts: {signal: moisture, above: 1 ppm, count: 20, within: 1 h}\n"
    rule = loaded(text).plan.watch.rules["heron.bursts"]
    assert rule.condition == Count(20, 3_600_000, Above(1.0))


def test_defaults(small: str, loaded: Load) -> None:
    """What a rule does not say: medium, no latch, acknowledge required, or auto when low."""
    text = small + (
        "  plain: {signal: moisture, above: 1 ppm}\n"
        "  soft: {signal: moisture, above: 1 ppm, priority: low}\n"
        "  slope: {signal: moisture, rising: 1 ppm/h}\n"
    )
    rules = loaded(text).plan.watch.rules
    plain, soft = rules["heron.plain"], rules["heron.soft"]
    assert (plain.priority, plain.latch, plain.acknowledge) == ("medium", False, "required")
    assert (plain.deadband, plain.on_delay_ms, plain.off_delay_ms) == (None, 0, 0)
    assert plain.remind_every_ms is None
    assert soft.acknowledge == "auto"
    assert rules["heron.slope"].condition == Rising(1.0, 30 * 60_000, 0.95)


def test_parents_written_and_implied(small: str, loaded: Load) -> None:
    """bus > instrument > its signals; `under` finds the rule here, at the supply, by full name."""
    rules = loaded(SETS + small).plan.watch.rules
    assert rules["daemon.line-lost"].under == ("daemon.several-buses-lost",)
    assert rules["daemon.trace-silent"].under == ("daemon.line-lost",)
    assert rules["heron.oxygen-high"].under == (
        "heron.oxygen-very-high",
        "heron.oxygen-rush",
        "heron.oxygen-into-bed",
        "house.supply-very-low",
        "daemon.trace-silent",
    )
    assert rules["heron.pressure-low"].under == (
        "house.supply-low",
        "house.supply-very-low",
        "heron.pressure-extreme",
        "daemon.panel-silent",
    )
    assert "heron.circulation-stopped" in rules["heron.moisture-climbing"].under
    # egret has no such signal, so no such parent: the rule speaks without it
    assert "egret.circulation-stopped" not in rules["egret.moisture-climbing"].under
    assert rules["egret.moisture-climbing"].under[-1] == "daemon.trace-silent"


def test_every_parent_is_an_alarm(small: str, loaded: Load) -> None:
    """No rule waits for a parent that does not exist."""
    rules = loaded(SETS + small).plan.watch.rules
    assert {parent for rule in rules.values() for parent in rule.under} <= set(rules)


def test_regime_chooses_the_pressure_rules(small: str, loaded: Load) -> None:
    """A box kept below the room has its own pressure rules, and not those of the others."""
    text = SETS + small.replace("    purifier: p1\n", "    purifier: p1\n    regime: negative\n")
    rules = loaded(text).plan.watch.rules
    assert "heron.containment-lost" in rules
    assert "heron.pressure-low" not in rules
    assert "heron.pressure-extreme" in rules


def test_daemon_watches_itself(small: str, loaded: Load) -> None:
    """The reserved box has a link per bus, an answer per instrument, a lag per follower.

    What stops an alarm from going out, by broker or page, is an alarm of its own.
    """
    plan = loaded(small + "mqtt: {}\npush: {contacts: {desk: {url_file: desk.url}}}\n").plan
    own = {name for name in plan.watch.signals if name.startswith("daemon.")}
    assert own == {
        "daemon.line-link",
        "daemon.panel-link",
        "daemon.trace-answer",
        "daemon.panel-answer",
        "daemon.trace-misread",
        "daemon.mqtt-behind",
        "daemon.push-behind",
        "daemon.mqtt-barred",
        "daemon.page-desk-barred",
        "daemon.disk-free",
        "daemon.tasks-failed",
        "daemon.journal-damaged",
        "daemon.alarm-rate",
        "daemon.clock-set",
        "daemon.buses-lost",
    }
    rules = plan.watch.rules
    assert rules["daemon.line-lost"].condition == FalseFor(10_000)
    assert rules["daemon.alarm-flood"].condition == Above(10.0)
    assert {rule.signal for rule in rules.values() if rule.place == "daemon"} == own
    barred = rules["daemon.page-desk-barred"]
    assert (barred.condition, barred.priority) == (TrueFor(0), "high")
    assert "page-desk" in (barred.advice or "")


def test_a_power_cut_stands_above_the_buses(small: str, loaded: Load) -> None:
    """Each bus is under all of them and under the mains, which have no parent themselves."""
    own = "      mains_present: panel.purging\n      circulating:"
    text = small.replace("      circulating:", own) + (
        "  mains-lost: {signal: mains_present, false_for: 10 s, priority: high}\n"
    )
    rules = loaded(text).plan.watch.rules
    both = ("daemon.several-buses-lost", "heron.mains-lost")
    assert rules["daemon.panel-lost"].under == both
    assert rules["daemon.several-buses-lost"].under == both[1:]
    assert rules["heron.mains-lost"].under == ()
    assert rules["daemon.trace-silent"].under == ("daemon.line-lost",)


@pytest.mark.parametrize("role", ["oxygen", "moisture"])
def test_slopes_can_be_watched(small: str, loaded: Load, role: str) -> None:
    """A rule on a signal that the watch derives gives that signal a place in the plan."""
    plan = loaded(small + f"  fast: {{signal: {role}_slope, above: 2 ppm/h}}\n").plan.watch
    assert plan.rules["heron.fast"].condition == Above(2.0)
    assert plan.signals[f"heron.{role}_slope"].unit == "ppm/h"
    assert plan.signals[f"heron.{role}_slope"].instrument is None


def test_every_built_in_rule_can_speak(write: Callable[[str], Path]) -> None:
    """With every role mapped, no rule of the set is off but those of the other regime."""
    panel = (BUILTIN / "profiles" / "box-panel.yaml").read_text("utf-8")
    registers = yaml.safe_load(panel)["registers"]
    own = {"box_pressure": "pressure", "box_temperature": "temperature", "supply": None}
    names = [own.get(r["name"], r["name"]) for r in registers]
    lines = [
        f"      {name}: panel.{r['name']}"
        for name, r in zip(names, registers, strict=True)
        if name and name != "foreline_pressure"
    ]
    text = "\n".join(
        [
            "site: saltmarsh",
            "rule_sets: [inert-box]",
            "buses: {a: {modbus_tcp: {host: 127.0.0.1}}}",
            "instruments:",
            "  panel: {bus: a, profile: box-panel}",
            "  trace: {bus: a, profile: trace-gas}",
            "  air: {bus: a, profile: room-air}",
            "services:",
            "  house: {kind: house, signals: {pressure: panel.supply}}",
            "  room: {kind: room, signals: {room_oxygen: air.room_oxygen,",
            "    barometer: air.barometer, mains_present: air.mains_present}}",
            "boxes:",
            "  heron:",
            "    antechambers: {large: {volume: 62 L}, small: {volume: 3 L}}",
            "    signals:",
            "      oxygen: trace.o2",
            "      moisture: trace.h2o",
            "      analyzer_on: trace.analyzer_on",
            *lines,
        ]
    )
    result = load(write(text))
    # No built-in profile weighs a store of gas; the other is for the other regime.
    not_here = {"containment-lost", "supply-level-low", "supply-level-very-low"}
    assert set(off_of(result)) == not_here
    spoken = {rule.rule for rule in result.plan.watch.rules.values()}
    shipped = yaml.safe_load((BUILTIN / "rules" / "inert-box.yaml").read_text())["rules"]
    assert set(shipped) - spoken == not_here
    assert all(rule.advice for rule in result.plan.watch.rules.values())
    # Advice about the time after the end is also what is said at the end.
    after = [rule for rule in result.plan.watch.rules.values() if rule.when_over]
    assert [(rule.alarm, rule.when_over) for rule in after] == [
        (rule.alarm, rule.advice)
        for rule in result.plan.watch.rules.values()
        if rule.advice and rule.advice.startswith("When ")
    ]
    assert len(after) == 1
