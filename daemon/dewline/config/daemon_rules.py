"""The reserved box ``daemon``: what dewline watches of itself, made from the rest of the plan."""

from __future__ import annotations

from collections.abc import Iterable

from dewline.config.plan import InstrumentPlan
from dewline.watch_plan import (
    CLOCK_SET,
    DAEMON,
    Above,
    Below,
    FalseFor,
    RulePlan,
    SignalPlan,
    TrueFor,
)

EVERY_MS = 30_000
LOST_AFTER_MS = 10_000
CLOCK_NOT_SET_MS = 900_000
LEAST_DISK_MB = 200.0
MOST_BEHIND_S = 900.0
# "10 in 10 minutes": EEMUA 191 as commonly quoted; the end below 5 is from memory.
FLOOD_ABOVE = 10.0
FLOOD_DEADBAND = 5.0


def silent(instrument: str) -> str:
    """The alarm that an instrument does not answer."""
    return f"{DAEMON}.{instrument}-silent"


def lost(bus: str) -> str:
    """The alarm that a bus is gone."""
    return f"{DAEMON}.{bus}-lost"


def daemon_signals(
    buses: Iterable[str], instruments: Iterable[str], followers: Iterable[str]
) -> dict[str, SignalPlan]:
    """Signals of the reserved box. Links and answers are 1 while all is well."""
    units = {f"{bus}-link": "" for bus in buses}
    units |= {f"{instrument}-answer": "" for instrument in instruments}
    units |= {f"{follower}-behind": "s" for follower in followers}
    units |= {"disk-free": "MB", "tasks-failed": "", "journal-damaged": "", "alarm-rate": ""}
    units |= {"clock-set": ""}
    return {
        f"{DAEMON}.{role}": SignalPlan(f"{DAEMON}.{role}", DAEMON, role, unit, every_ms=EVERY_MS)
        for role, unit in units.items()
    }


def daemon_rules(
    buses: Iterable[str], instruments: Iterable[InstrumentPlan], followers: Iterable[str]
) -> dict[str, RulePlan]:
    """Alarms of the reserved box, parents before children."""
    rules = [_lost(bus) for bus in buses]
    rules += [_silent(instrument) for instrument in instruments]
    rules += [_behind(follower) for follower in followers]
    rules += _house()
    return {rule.alarm: rule for rule in rules}


def _lost(bus: str) -> RulePlan:
    return RulePlan(
        alarm=lost(bus),
        place=DAEMON,
        rule=f"{bus}-lost",
        signal=f"{DAEMON}.{bus}-link",
        condition=FalseFor(LOST_AFTER_MS),
        unit="s",
        priority="high",
        advice=f"Nothing on bus {bus} is read: check its cable, converter, plug and network.",
    )


def _silent(instrument: InstrumentPlan) -> RulePlan:
    name = instrument.name
    return RulePlan(
        alarm=silent(name),
        place=DAEMON,
        rule=f"{name}-silent",
        signal=f"{DAEMON}.{name}-answer",
        condition=FalseFor(LOST_AFTER_MS),
        unit="s",
        priority="high",
        under=(lost(instrument.bus),),
        advice=f"{name} does not answer: check its power, cable, unit number and line settings.",
    )


def _behind(follower: str) -> RulePlan:
    return RulePlan(
        alarm=f"{DAEMON}.{follower}-behind",
        place=DAEMON,
        rule=f"{follower}-behind",
        signal=f"{DAEMON}.{follower}-behind",
        condition=Above(MOST_BEHIND_S),
        unit="s",
        deadband=MOST_BEHIND_S - 60,
        advice=f"{follower} is not taken: check the far side; nothing is lost meanwhile.",
    )


def _house() -> list[RulePlan]:
    return [
        RulePlan(
            alarm=f"{DAEMON}.disk-low",
            place=DAEMON,
            rule="disk-low",
            signal=f"{DAEMON}.disk-free",
            condition=Below(LEAST_DISK_MB),
            unit="MB",
            deadband=LEAST_DISK_MB / 4,
            on_delay_ms=60_000,
            priority="high",
            advice="Free disk space: the record is about to be cut short.",
        ),
        RulePlan(
            alarm=f"{DAEMON}.task-failed",
            place=DAEMON,
            rule="task-failed",
            signal=f"{DAEMON}.tasks-failed",
            condition=Above(0.5),
            unit="",
            priority="high",
            advice="A part of dewline fails again and again: read its log.",
        ),
        RulePlan(
            alarm=f"{DAEMON}.journal-damaged",
            place=DAEMON,
            rule="journal-damaged",
            signal=f"{DAEMON}.journal-damaged",
            condition=TrueFor(0),
            unit="s",
            priority="high",
            advice="The record was damaged and set aside: look at the disk, keep both files.",
        ),
        RulePlan(
            alarm=f"{DAEMON}.clock-not-set",
            place=DAEMON,
            rule="clock-not-set",
            signal=CLOCK_SET,
            condition=FalseFor(CLOCK_NOT_SET_MS),
            unit="s",
            advice="No time server has set the clock since the boot: look at the network.",
        ),
        RulePlan(
            alarm=f"{DAEMON}.alarm-flood",
            place=DAEMON,
            rule="alarm-flood",
            signal=f"{DAEMON}.alarm-rate",
            condition=Above(FLOOD_ABOVE),
            unit="",
            deadband=FLOOD_DEADBAND,
            priority="medium",
            advice="More alarms than a person can follow: look for the one cause behind them.",
        ),
    ]
