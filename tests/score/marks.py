"""How a story is marked: what was said of what was wrong, how surely, how early, how often.

A *saying* is one standing of an alarm: from a raise to the next one, with the last
cause told in it. It is marked against what was wrong at its place when it was
raised, or up to an hour before. Right: the true name is the name given or stands
in the set. A consequence is true as well (an empty cylinder after a torn glove).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from dewline.events import Cause, Event
from dewline_sim.story import Story, Wrong
from tests.score.bench import Told

AFTER_MS = 3_600_000
LEAST_MS = 60_000
TOLD = ("raised", "unsuppressed", "cause-changed")
STARTS = ("raised", "unsuppressed")
PAGED = ("critical", "high")

LEAKS = frozenset({"air-leak", "loop-suction-leak", "leak-at-low-pressure", "sample-line"})
# What a fault truly brings about besides itself, by cause.
FOLLOWS: dict[str, frozenset[str]] = {
    "glove-torn": frozenset({"supply-low", "valves-unpowered"}),
    "power": frozenset({"instrument-silent", "circulation-stopped"}),
    "supply-low": frozenset({"valves-unpowered"}),
    "valves-unpowered": frozenset({"supply-low", "circulation-stopped"}),
    "sensor-frozen": frozenset({"sensor-unresponsive"}),
    "sensor-unresponsive": frozenset({"sensor-frozen"}),
    "leak-at-low-pressure": frozenset({"gas-loss"}),
    "circulation-stopped": frozenset({"power"}),
    "antechamber-seal": frozenset({"transfer"}),
    "regenerating": frozenset({"circulation-stopped", "bed-warm", "regen-return"}),
}


@dataclass(frozen=True, slots=True)
class Saying:
    """One standing of an alarm, marked."""

    story: str
    seed: int
    truth: str  # the names of what was wrong, joined by /; "nothing" where nothing was
    alarm: str
    priority: str
    name: str
    also: tuple[str, ...]
    confidence: float
    right: bool
    after_s: float  # from the beginning of what was wrong to the raise
    at_ms: int


def sayings(told: Told) -> Iterator[Saying]:
    """Every standing of every alarm of a box or service, with its mark."""
    for run in _standings(told.events):
        first, last = run[0], run[-1]
        if last.cause.name == "unknown" and not last.cause.confidence:
            continue  # an alarm of a kind that is not explained
        wrongs = list(_wrong_then(told.story, first, last))
        names = sorted({w.cause for w in wrongs})
        fits = set(names)
        for name in names:
            fits |= FOLLOWS.get(name, frozenset())
        if first.signal.endswith("bed_temperature"):
            fits.add("bed-warm")  # whatever heats it, so it is
        if first.signal.endswith("regenerating"):
            fits.add("regenerating")  # whatever keeps the bit on
        if first.signal.endswith("inner_door"):
            fits.add("transfer")  # a dirty one, whatever else is wrong
        began = max((w.from_ms for w in wrongs), default=first.time_ms)
        yield Saying(
            told.story.name,
            told.story.seed,
            "/".join(names) or "nothing",
            first.alarm,
            first.priority,
            last.cause.name,
            last.cause.also,
            last.cause.confidence,
            is_right(last.cause, fits),
            (first.time_ms - began) / 1000,
            first.time_ms,
        )


def is_right(cause: Cause, fits: set[str]) -> bool:
    """Whether a true name is the name given or stands in the set.

    A dose that is over does not count where a leak is named first: that sends people leak hunting.
    """
    found = {cause.name, *cause.also} & fits
    return bool(found - {"impulse"} if cause.name in LEAKS else found)


def _standings(events: Iterable[Event]) -> Iterator[list[Event]]:
    """Tellings of each alarm from one raise to the next."""
    runs: dict[str, list[Event]] = {}
    for event in events:
        quiet = event.state not in ("unacknowledged", "acknowledged")
        if event.transition not in TOLD or quiet or event.box == "daemon":
            continue
        if event.transition in STARTS and event.alarm in runs:
            yield runs.pop(event.alarm)
        runs.setdefault(event.alarm, []).append(event)
    yield from runs.values()


def _wrong_then(story: Story, first: Event, last: Event) -> Iterator[Wrong]:
    feeds = {
        entry.get("supply") for name, entry in story.setup["boxes"].items() if name == first.box
    }
    for wrong in story.wrongs:
        here = wrong.place == first.box or wrong.place in feeds or first.box in _fed(story, wrong)
        ended = wrong.to_ms is not None and wrong.to_ms + AFTER_MS < first.time_ms
        if here and wrong.from_ms - LEAST_MS <= first.time_ms and not ended:
            yield wrong
    yield from _stops(story, first)
    yield from _doses(story, first)


def _doses(story: Story, first: Event) -> Iterator[Wrong]:
    """A dose of air or oxygen given by the story is an impulse, and true for an hour."""
    for what in story.happenings:
        dosed = what.place == first.box and what.do in ("inject_air", "oxygen_dose")
        if dosed and what.at_ms <= first.time_ms <= what.at_ms + AFTER_MS:
            yield Wrong("impulse", first.box, what.at_ms, what.at_ms + AFTER_MS)


def _stops(story: Story, first: Event) -> Iterator[Wrong]:
    """A stop of the loop made on purpose is as true as any fault."""
    off_ms: int | None = None
    for what in story.happenings:
        if what.place != first.box:
            continue
        if what.do == "circulation_off":
            off_ms = what.at_ms
        elif what.do == "circulation_on" and off_ms is not None:
            if off_ms <= first.time_ms <= what.at_ms + LEAST_MS:
                yield Wrong("circulation-stopped", first.box, off_ms, what.at_ms)
            off_ms = None


def _fed(story: Story, wrong: Wrong) -> set[str]:
    """Services of the box where something is wrong: they suffer with it."""
    entry = story.setup["boxes"].get(wrong.place, {})
    return {str(entry[kind]) for kind in ("supply", "purifier") if kind in entry}


def standing(told: Told, *rules: str) -> list[Event]:
    """The beginnings of alarms that stood and were under no other; of these rules, or of all."""
    return [
        e
        for e in told.events
        if e.transition in STARTS
        and e.state == "unacknowledged"
        and e.box != "daemon"
        and (not rules or e.alarm.partition(".")[2] in rules)
    ]


def pages(told: Told) -> list[Event]:
    """What a person would have been paged for."""
    return [e for e in standing(told) if e.priority in PAGED]


def crossings(told: Told) -> Iterator[tuple[float, float, float]]:
    """Of every outlook told before the truth crossed its limit: stated low, high and true hours."""
    for event in told.events:
        outlook = event.outlook
        if outlook is None or outlook.in_s is None or not outlook.in_s or event.box == "daemon":
            continue
        if outlook.low_s is None or outlook.high_s is None:
            continue
        gas = event.signal.partition(".")[2].partition("_")[0]
        truth = [p for p in told.truths.get((event.box, gas), []) if p[0] >= event.time_ms]
        value = event.value if event.value is not None and gas in event.signal else None
        if not truth or value is None:
            continue
        up = outlook.limit > truth[0][1]
        crossed = next((t for t, v in truth if (v >= outlook.limit) == up), None)
        if crossed is not None:
            yield outlook.low_s / 3600, outlook.high_s / 3600, (crossed - event.time_ms) / 3.6e6


PLAIN_PPM = 5.0
CLIMB_MS = 48 * 3_600_000


def leads(told: Told) -> Iterator[dict[str, Any]]:
    """Of every wrong thing after which a gas truly passed 5 ppm: how long before that, and how
    long after the beginning, the first alarm came. Seconds.

    ``idle`` is the first alarm on a nightly idle baseline, ``climb`` the first of the others
    within two days of the crossing.
    """
    for wrong in told.story.wrongs:
        crossed = [
            next((t for t, v in points if t >= wrong.from_ms and v > PLAIN_PPM), None)
            for (place, _), points in told.truths.items()
            if place == wrong.place
        ]
        at_ms = min((t for t in crossed if t is not None), default=None)
        first = [
            e
            for e in told.events
            if e.transition in STARTS and e.box == wrong.place and e.time_ms >= wrong.from_ms
        ]
        if not first:
            continue
        lead = {"cause": wrong.cause, "after_s": (first[0].time_ms - wrong.from_ms) / 1000}
        if at_ms is not None:
            idle = [e.time_ms for e in first if e.signal.endswith("_idle")]
            climb = [
                e.time_ms
                for e in first
                if not e.signal.endswith("_idle") and e.time_ms >= at_ms - CLIMB_MS
            ]
            lead["before_s"] = (at_ms - first[0].time_ms) / 1000
            lead["idle_s"] = (at_ms - idle[0]) / 1000 if idle else None
            lead["climb_s"] = (at_ms - climb[0]) / 1000 if climb else None
        yield lead


def rows(told: Told) -> dict[str, Any]:
    """Everything of one telling that the table is made of, ready for JSON."""
    story = told.story
    hours = (story.end_ms - story.start_ms) / 3.6e6
    return {
        "story": story.name,
        "seed": story.seed,
        "box_hours": hours * len(story.setup["boxes"]),
        "readings": told.readings,
        "took_s": told.took_s,
        "sayings": [asdict(s) for s in sayings(told)],
        "pages": [(p.alarm, p.time_ms) for p in pages(told)],
        "crossings": list(crossings(told)),
        "leads": list(leads(told)),
        "alarms": [
            (e.alarm, e.box, e.time_ms)
            for e in told.events
            if e.transition in STARTS and e.box != "daemon"
        ],
        "wrongs": [
            (w.cause, w.place, w.from_ms, w.to_ms or story.end_ms, w.note) for w in story.wrongs
        ],
    }
