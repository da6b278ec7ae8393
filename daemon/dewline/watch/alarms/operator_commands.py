"""What people may do to alarms and boxes, and the answers they get."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from functools import partial

from dewline.errors import CommandError
from dewline.events import Event, Reply
from dewline.readings import Command
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.alarms.engine import AlarmEngine
from dewline.watch.alarms.event_writer import Details
from dewline.watch.alarms.states import Trigger
from dewline.watch.alarms.suppression import duration
from dewline.watch.signals.modes import BoxModes
from dewline.watch_plan import NOTE_KINDS, PLANNED_WORK, Mode

LONGEST_SHELF_S = 24 * 3600.0
LONGEST_CRITICAL_SHELF_S = 15 * 60.0
# What an end brings with it, of which the person who announces the work has to know.
FOLLOWS = {"opened": ("a box that was open then recovers for 12 h, in which some stay quiet",)}
# A note of planned work whose text begins with one of these ends it. They are kept for the notes of
# old records: `planned BOX KIND --end` says the same without being read out of a sentence.
OVER_WORDS = ("over", "done", "end", "ended", "finished")


class OperatorCommands:
    """Carries out commands. Every refusal says why and what to do instead.

    ``add_note`` is called with each note: box, kind, watch time in ms.
    """

    def __init__(
        self,
        alarms: Mapping[str, Alarm],
        engine: AlarmEngine,
        modes: Mapping[str, BoxModes],
        add_note: Callable[[str, str, int], None],
    ) -> None:
        self._add_note = add_note
        self._alarms = alarms
        self._engine = engine
        self._modes = modes
        self._actions: dict[str, Callable[[Alarm, Command], Event]] = {
            "acknowledge": partial(self._do, "acknowledge", "there is nothing to acknowledge"),
            "shelve": self._shelve,
            "unshelve": self._unshelve,
            "out-of-service": partial(self._do, "remove", "nothing to do"),
            "return-to-service": partial(self._do, "return", "it is in service"),
            "reset": self._reset,
        }
        self._box_actions: dict[str, Callable[[Command], Reply]] = {
            "note": self._note,
            "planned": self._plan_work,
            "planned-end": self._end_work,
        }

    def carry_out(self, command: Command) -> Reply:
        """Do what the command says, or answer why not.

        Never raises. The reply names the event that was written, if there was one.
        """
        try:
            if command.command in self._box_actions:
                return self._box_actions[command.command](command)
            alarm = self._find(command.alarm)
            action = self._actions.get(command.command)
            if action is None:
                raise CommandError(f"no command {command.command!r}")
            event = action(alarm, command)
        except CommandError as refusal:
            return Reply(False, str(refusal))
        until_ms = alarm.shelved_until_ms if event.state == "shelved" else None
        until = "" if until_ms is None else f" until {self._engine.wall_text(until_ms)}"
        return Reply(True, f"{event.alarm} is {event.state}{until}", event.id)

    def _find(self, name: str | None) -> Alarm:
        if name is None:
            raise CommandError("no alarm is named")
        if name in self._alarms:
            return self._alarms[name]
        raise CommandError(f"no alarm {name!r}{_near(name, self._alarms)}")

    def _do(self, trigger: Trigger, refusal: str, alarm: Alarm, command: Command) -> Event:
        event = self._engine.move(alarm, trigger, Details(by=command.by, why=command.why))
        if event is None:
            raise CommandError(f"{alarm.plan.alarm} is {alarm.state}: {refusal}")
        return event

    def _reset(self, alarm: Alarm, command: Command) -> Event:
        if alarm.active and not alarm.overlaid:
            raise CommandError(f"{alarm.plan.alarm} is still active: reset it when it is over")
        return self._do("reset", "only an acknowledged latch can be reset", alarm, command)

    def _shelve(self, alarm: Alarm, command: Command) -> Event:
        name = alarm.plan.alarm
        longest_s = (
            LONGEST_CRITICAL_SHELF_S
            if "critical" in (alarm.plan.priority, alarm.plan.night, alarm.priority)
            else LONGEST_SHELF_S
        )
        if not command.why or not command.why.strip():
            raise CommandError(f"shelving {name} needs a reason")
        if command.for_s is None or not 0 < command.for_s <= longest_s:
            longest = duration(round(longest_s * 1000))
            raise CommandError(f"shelving {name} needs an end, at most {longest} from now")
        until_ms = command.at_ms + max(1, round(command.for_s * 1000))
        details = Details(by=command.by, why=command.why, until_ms=until_ms)
        event = self._engine.move(alarm, "shelve", details)
        if event is None:
            raise CommandError(f"{name} is {alarm.state}: it cannot be shelved now")
        alarm.shelved_until_ms = until_ms
        return event

    def _unshelve(self, alarm: Alarm, command: Command) -> Event:
        if alarm.shelved_until_ms is None:
            raise CommandError(f"{alarm.plan.alarm} is {alarm.state}: it is not shelved")
        alarm.shelved_until_ms = None
        return self._do("unshelve", "it is not shelved", alarm, command)

    def _note(self, command: Command) -> Reply:
        """A note of planned work announces it for its longest time, or ends it."""
        box, kind = self._box_and_kind(command, NOTE_KINDS)
        if kind not in PLANNED_WORK:
            self._add_note(box, kind, command.at_ms)
            return Reply(True, f"noted for {box}: {kind}")
        words = (command.why or "").lower().replace(",", " ").split()
        if words and words[0] in OVER_WORDS:
            return self._end_work(command)
        return self._plan_work(replace(command, for_s=PLANNED_WORK[kind][1] / 1000))

    def _plan_work(self, command: Command) -> Reply:
        """Announce work at a box: its mode holds until the end that is said."""
        box, kind = self._box_and_kind(command, PLANNED_WORK)
        mode, longest_ms = PLANNED_WORK[kind]
        for_ms = round((command.for_s or 0.0) * 1000)
        if not 0 < for_ms <= longest_ms:
            longest = duration(longest_ms)
            raise CommandError(f"{kind} needs an end, at most {longest} from now")
        self._modes[box].plan_work(kind, command.at_ms + for_ms, command.at_ms)
        self._add_note(box, kind, command.at_ms)
        return Reply(True, self._what_is_quiet(box, kind, mode, command.at_ms, for_ms))

    def _what_is_quiet(self, box: str, kind: str, mode: Mode, at_ms: int, for_ms: int) -> str:
        """What goes quiet and until when, what goes on, and what follows.

        An alarm that stands already stays as it is: it goes on to remind and escalate.
        """
        until = f"{box}: {kind} until {self._engine.wall_text(at_ms + for_ms)}"
        silent = {
            alarm: left_ms
            for alarm in self._alarms.values()
            if alarm.plan.place == box
            and (left_ms := self._engine.silent_ms(alarm, mode, at_ms)) > 0
        }
        stands = [a.plan.rule for a in silent if a.active and not a.overlaid]
        quiet = [
            alarm.plan.rule + (f" for {duration(left_ms)}" if left_ms < for_ms else "")
            for alarm, left_ms in silent.items()
            if alarm.plan.rule not in stands
        ]
        said = [
            until,
            f"quiet until then: {', '.join(sorted(quiet))}" if quiet else "no alarm goes quiet",
            *([f"{', '.join(sorted(stands))} stands already and calls on"] if stands else []),
            "all others call as before",
            "what stands at the end is told at once",
            *FOLLOWS.get(kind, ()),
        ]
        return "; ".join(said)

    def _end_work(self, command: Command) -> Reply:
        """End planned work before its time; what it kept quiet and stands is told at once."""
        box, kind = self._box_and_kind(command, PLANNED_WORK)
        modes = self._modes[box]
        if not modes.is_planned(kind):
            raise CommandError(f"{box}: nothing of the kind is planned: {kind}")
        modes.end_work(kind, command.at_ms)
        told = self._engine.release_planned(box, PLANNED_WORK[kind][0])
        stands = ", ".join(alarm.plan.rule for alarm in told)
        return Reply(
            True, f"{box}: {kind} is over; {stands or 'nothing that it kept quiet'} stands"
        )

    def _box_and_kind(self, command: Command, kinds: Iterable[str]) -> tuple[str, str]:
        box, kind = command.box or "", command.kind or ""
        if box not in self._modes:
            raise CommandError(f"no box {box!r}{_near(box, self._modes)}")
        if kind not in kinds:
            raise CommandError(f"no kind {kind!r}; one of {', '.join(kinds)}")
        return box, kind


def _near(name: str, known: Mapping[str, object]) -> str:
    near = get_close_matches(name, known, n=3)
    return f"; near it: {', '.join(near)}" if near else ""
