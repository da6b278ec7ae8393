"""What a box is doing: its modes, from its signals and from people's notes.

Each mode has the time at which it began, from which the longest time of a suppression counts. A
bit whose reading is bad leaves its mode as it was. All durations are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from dewline.readings import Quality
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import (
    EMPTY_BAND,
    EVERYTHING,
    FIRST_BAD,
    Band,
    SignalState,
    above_band,
    below_band,
)
from dewline.watch.signals.window import NEVER_MS
from dewline.watch_plan import PLANNED_WORK, Mode, WatchPlan

HOUR_MS = 3_600_000
AFTER_INNER_DOOR_MS = 30 * 60_000
OPENED_ABOVE_PPM = 50_000.0
RECOVERING_MS = 12 * HOUR_MS
AFTER_HANDS_MS = 5 * 60_000
REDUCED_SHARE = 0.7
STANDING_SHARE = 0.05  # of the usual speed: below it the blower stands and is not reduced
SPEEDS_KEPT = 168  # one an hour for a week

# Modes that last until a time that is known.
TIMED: tuple[Mode, ...] = (
    *("solvent-work", "commissioning", "maintenance", "outgassing", "recovering", "working"),
)
# Modes in which people stop circulation, or a purifier does.
STOPPING: tuple[Mode, ...] = ("opened", "purging", "solvent-work", "regenerating", "maintenance")

# When several modes hold, an event names the first of these.
IN_ORDER: tuple[Mode, ...] = (
    "opened",
    "commissioning",
    "maintenance",
    "recovering",
    "purging",
    "solvent-work",
    "regenerating",
    "transferring",
    "isolated",
    "reduced",
    "working",
    "outgassing",
    "circulating",
)


class BoxModes(Kept):
    """The modes of one box, in watch time (ms).

    ``since``: when each mode that holds began. ``_until``: when a mode that planned work or a timer
    set is over. ``planned``: the end that was announced for each kind of planned work; it stands
    when the mode itself has ended before. ``_aired``: the box was seen open since the note that
    said so, or without one.
    ``_speeds``: blower speed or flow once an hour, newest last.
    """

    since: dict[Mode, int]
    _until: dict[Mode, int]
    planned: dict[str, int]
    _aired: bool = False
    _inner_open: bool = False
    _speeds: list[float]
    _next_speed_ms: int = 0

    def __init__(self, box: str, plan: WatchPlan, signals: dict[str, SignalState]) -> None:
        self.box = box
        self.since = {}
        self._until = {}
        self.planned = {}
        self._speeds = []
        self._signals = signals
        places = (box, plan.boxes[box].purifier)
        self._oxygen = signals.get(f"{box}.oxygen")
        # The blower's speed, or else the flow that it moves.
        self._speed = signals.get(f"{box}.blower_speed") or signals.get(f"{box}.circulation_flow")
        self._circulating = signals.get(f"{box}.circulating")
        self._purging = self._present(f"{box}.purging")
        self._regenerating = self._present(*(f"{p}.regenerating" for p in places if p))
        chambers = [a.name for a in plan.boxes[box].antechambers]
        self._inner = self._present(*(f"{box}.{a}_inner_door" for a in chambers))
        moves = ("outer_door", "evacuating", "refilling")
        self._chamber = self._present(*(f"{box}.{a}_{m}" for a in chambers for m in moves))
        circulating = self._present(f"{box}.circulating")
        self._sources: dict[Mode, tuple[SignalState, ...]] = {
            "purging": self._purging,
            "regenerating": self._regenerating,
            "circulating": circulating,
            "isolated": circulating,
            "reduced": () if self._speed is None else (self._speed,),
            "transferring": (*self._inner, *self._chamber),
            "opened": self._present(f"{box}.oxygen"),
        }

    def _present(self, *names: str) -> tuple[SignalState, ...]:
        return tuple(self._signals[name] for name in names if name in self._signals)

    def inputs(self) -> Iterator[SignalState]:
        """Every signal on which a mode depends."""
        yield from (*self._purging, *self._regenerating, *self._inner, *self._chamber)
        yield from (s for s in (self._oxygen, self._speed, self._circulating) if s is not None)

    def band(self, signal: SignalState) -> Band:
        """The values of ``signal`` that leave the modes as they are.

        None while it has no value, and none of oxygen while the box may be open.
        """
        if signal.value is None:
            return EMPTY_BAND
        if signal is self._oxygen:
            waiting = "opened" in self.since or "opened" in self._until
            return EMPTY_BAND if waiting else (EVERYTHING[0], OPENED_ABOVE_PPM)
        if signal is self._speed:
            slow = self._slow_below()
            still = STANDING_SHARE / REDUCED_SHARE * slow
            return below_band(signal.value, still if signal.value < still else slow)
        return above_band(signal.value, 0.5)

    def update(self, at_ms: int) -> None:
        """Determine the modes again, after a change of an input or of the time."""
        self._set("purging", _any_on(self._purging), at_ms)
        self._set("regenerating", _any_on(self._regenerating), at_ms)
        self._update_circulation(at_ms)
        self._update_chambers(at_ms)
        self._update_opening(at_ms)
        for mode in TIMED:
            self._set(mode, self._until.get(mode, 0) > at_ms, at_ms)
        self._until = {m: t for m, t in self._until.items() if t > at_ms}

    def tick(self, at_ms: int) -> None:
        """What is due by ``at_ms``: the hourly sample of the speed, modes that are over."""
        self._sample_speed(at_ms)
        self.update(at_ms)

    def plan_work(self, kind: str, until_ms: int, at_ms: int) -> None:
        """A person announces work of a kind in ``PLANNED_WORK``: its mode holds until then."""
        mode = PLANNED_WORK[kind][0]
        self.planned[kind] = self._until[mode] = until_ms
        self._aired = self._aired and mode != "opened"
        self.update(at_ms)

    def end_work(self, kind: str, at_ms: int) -> None:
        """Planned work is over before its time."""
        self.planned.pop(kind, None)
        self._until.pop(PLANNED_WORK[kind][0], None)
        self.update(at_ms)

    def is_planned(self, kind: str) -> bool:
        """Whether work of that kind is announced, or its mode lasts for another reason."""
        return kind in self.planned or PLANNED_WORK[kind][0] in self._until

    def end_due_work(self, at_ms: int) -> list[Mode]:
        """End the planned work whose time has come; gives the modes that it had set."""
        due = [kind for kind, until_ms in self.planned.items() if until_ms <= at_ms]
        for kind in due:
            del self.planned[kind]
        self.update(at_ms)
        return [PLANNED_WORK[kind][0] for kind in due]

    def mark_working(self, at_ms: int) -> None:
        """The pressure shows hands in the gloves: the mode working, until 5 min later."""
        self._until["working"] = at_ms + AFTER_HANDS_MS
        self._set("working", True, at_ms)

    @property
    def stands(self) -> bool:
        """Whether circulation is read to stand, and no mode of ``STOPPING`` explains it."""
        on = self._circulating.usable if self._circulating is not None else None
        return on is not None and on < 0.5 and not any(mode in self.since for mode in STOPPING)

    def foremost(self, at_ms: int) -> Mode | None:
        """The mode that an event names; None where none holds, or it is not known whether."""
        unread = self.unread(at_ms)
        return next((m for m in IN_ORDER if m in self.since and m not in unread), None)

    def unread(self, at_ms: int) -> set[Mode]:
        """The modes that come from signals of which none is read; not what people announced."""
        return {
            mode
            for mode, signals in self._sources.items()
            if signals and mode not in self._until and all(s.overdue(at_ms) for s in signals)
        }

    def due_ms(self) -> int:
        """When ``tick`` has something to do next."""
        ends = [*self._until.values(), *self.planned.values()]
        if self._speed is not None:
            ends.append(self._next_speed_ms)
        return min(ends, default=NEVER_MS)

    def _set(self, mode: Mode, holds: bool | None, at_ms: int) -> None:
        if holds is False:
            self.since.pop(mode, None)
        elif holds:
            self.since.setdefault(mode, at_ms)

    def _update_circulation(self, at_ms: int) -> None:
        on = _any_on((self._circulating,)) if self._circulating is not None else None
        self._set("circulating", on, at_ms)
        self._set("isolated", None if on is None else not on, at_ms)
        if self._speed is not None and self._speed.usable is not None:
            usual = self._slow_below() / REDUCED_SHARE
            self._set("reduced", _slow(self._speed.usable, usual), at_ms)

    def _update_chambers(self, at_ms: int) -> None:
        """A transfer lasts while a chamber works or the inner door is open, and 30 min more."""
        inner, busy = _any_on(self._inner), _any_on(self._chamber)
        if inner is False and self._inner_open:
            self._until["transferring"] = at_ms + AFTER_INNER_DOOR_MS
        self._inner_open = self._inner_open if inner is None else inner
        if busy is None and inner is None and "transferring" not in self._until:
            return
        after = self._until.get("transferring", 0) > at_ms
        self._set("transferring", bool(busy or self._inner_open or after), at_ms)

    def _update_opening(self, at_ms: int) -> None:
        """Opened: oxygen above 5 %, or announced; over when oxygen is seen below again.

        When it is announced a saturated cell is as good a sign of air as a number. A box that was
        announced as opened and of which oxygen stayed low was not opened: nothing recovers.
        """
        aired, was_aired = self._above_opening(), self._aired
        said = self._until.get("opened", 0) > at_ms
        self._aired = self._aired or aired is True or (said and self._saturated())
        if aired is False and self._aired:
            said = self._aired = False
            self._until.pop("opened", None)
        was = "opened" in self.since
        if was and aired is None and not said and self._aired:
            return
        self._set("opened", bool(aired or said), at_ms)
        if was and "opened" not in self.since and (was_aired or aired is None):
            self._until["recovering"] = at_ms + RECOVERING_MS
            self._until["outgassing"] = at_ms + PLANNED_WORK["gloves"][1]

    def _saturated(self) -> bool:
        return self._oxygen is not None and self._oxygen.quality == Quality.OVER_RANGE

    def _above_opening(self) -> bool | None:
        """Whether oxygen is above 5 %; None without a usable reading, or saturated below 5 %."""
        signal = self._oxygen
        if signal is None or signal.value is None or signal.quality >= FIRST_BAD:
            return None
        if signal.value > OPENED_ABOVE_PPM:
            return True
        return False if signal.quality <= Quality.LOW else None

    def _slow_below(self) -> float:
        """70 % of the usual speed, which is the 90th percentile of a week of hourly values.

        Not their median, because a box that is set back every night and weekend spends most of
        its hours at the reduced speed.
        """
        if not self._speeds:
            return 0.0
        return REDUCED_SHARE * sorted(self._speeds)[len(self._speeds) * 9 // 10]

    def _sample_speed(self, at_ms: int) -> None:
        if self._speed is None or at_ms < self._next_speed_ms:
            return
        self._next_speed_ms = at_ms + HOUR_MS
        if self._speed.usable:
            self._speeds = [*self._speeds, self._speed.usable][-SPEEDS_KEPT:]


def _slow(speed: float, usual: float) -> bool:
    return STANDING_SHARE * usual <= speed < REDUCED_SHARE * usual


def _any_on(signals: tuple[SignalState, ...]) -> bool | None:
    """Whether any of these bits is set; None while none of them is good."""
    values = [signal.usable for signal in signals if signal.usable is not None]
    return any(v > 0.5 for v in values) if values else None
