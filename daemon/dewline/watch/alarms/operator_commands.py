"""What people may do to alarms and boxes, and the answers they get."""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
from dewline.watch.signals.modes import NOTE_KINDS, BoxModes

LONGEST_SHELF_S = 24 * 3600.0
LONGEST_CRITICAL_SHELF_S = 15 * 60.0


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

    def carry_out(self, command: Command) -> Reply:
        """Do what the command says, or answer why not.

        Never raises. The reply names the event that was written, if there was one.
        """
        try:
            if command.command == "note":
                return self._note(command)
            alarm = self._find(command.alarm)
            action = self._actions.get(command.command)
            if action is None:
                raise CommandError(f"no command {command.command!r}")
            event = action(alarm, command)
        except CommandError as refusal:
            return Reply(False, str(refusal))
        return Reply(True, f"{event.alarm} is {event.state}", event.id)

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
        box, kind = command.box or "", command.kind or ""
        if box not in self._modes:
            raise CommandError(f"no box {box!r}{_near(box, self._modes)}")
        if kind not in NOTE_KINDS:
            raise CommandError(f"no kind of note {kind!r}; one of {', '.join(NOTE_KINDS)}")
        modes = self._modes[box]
        modes.note(kind, command.why or "", command.at_ms)
        self._add_note(box, kind, command.at_ms)
        return Reply(True, f"noted for {box}: {kind}")


def _near(name: str, known: Mapping[str, object]) -> str:
    near = get_close_matches(name, known, n=3)
    return f"; near it: {', '.join(near)}" if near else ""
