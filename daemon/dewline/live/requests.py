"""Requests to a running daemon and their answers: JSON objects.

A request names its kind in ``ask``: ``status``, ``reload``, ``command`` or ``leak-test``. They come
over the control socket, and commands over MQTT too. Whoever may open the socket may say anything,
so every field is checked before it is used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NotRequired, TypedDict, TypeVar, get_args

from dewline.errors import CommandError
from dewline.events import AlarmDocument, LedgerRow
from dewline.readings import Command, CommandName
from dewline.watch.ledgers.rows import LedgerTable, leak_test_row
from dewline.watch_plan import WatchPlan

if TYPE_CHECKING:  # commands that only send a request need no part of the watch
    from dewline.watch.derived.outlook_table import BoxOutlook

T = TypeVar("T")
_COMMANDS: dict[str, CommandName] = {name: name for name in get_args(CommandName)}


class Answer(TypedDict):
    """What became of a request. ``event_id``: the event that a command brought about."""

    ok: bool
    message: str
    event_id: NotRequired[str | None]


class ReadingStatus(TypedDict):
    """The latest reading of a signal; ``value`` null where there is no number.

    ``quality`` is what the watch says, ``since`` when that began, and ``raw`` what the bus says;
    ``since`` is null where the watch has nothing to add. ``overdue``: it is not read now, though
    it should be; ``last_value`` is then the last number, read at ``last_time``, ``age_s`` ago. Of a
    reading beyond its range it is the last one within it: ``value`` is only an end of the range.
    ``time`` is null where nothing was asked for since the start.
    """

    value: float | None
    unit: str
    quality: str
    raw: str
    since: str | None
    time: str | None
    overdue: bool
    last_value: float | None
    last_time: str | None
    age_s: float | None


class BoxStatus(TypedDict):
    """A box: its modes, the latest readings by role, its own figures and what lies ahead.

    ``modes_unread``: modes that held when their signals were last read, and of which nobody knows
    now. ``planned``: announced work, and when each kind of it ends. ``read``: at least one of its
    signals is read; ``last_read``: when that was, null where it never was.
    """

    title: str
    modes: list[str]
    modes_unread: list[str]
    planned: dict[str, str]
    read: bool
    last_read: str | None
    readings: dict[str, ReadingStatus]
    ahead: BoxOutlook


class FollowerStatus(TypedDict):
    """How far a follower is behind the record; ``barred``: what stops a road until it is mended."""

    events_behind: int
    seconds_behind: float
    barred: dict[str, str]


class StatusDocument(TypedDict):
    """All that a daemon says of itself. ``state``: running or stopping."""

    site: str
    timezone: str
    state: str
    alarms: list[AlarmDocument]
    boxes: dict[str, BoxStatus]
    ledger: LedgerTable
    followers: dict[str, FollowerStatus]


def command_of(request: Mapping[str, object], stamp: tuple[int, int], source: str) -> Command:
    """The watch input of {command, by, alarm, for_s, why, box, kind} at ``stamp``.

    CommandError says which field is none. Whether there is such an alarm or box, and whether
    the command is allowed there, the watch says.
    """
    name = _field(request, "command", str)
    if name not in _COMMANDS:
        raise CommandError(f"no command {name!r}")
    why = _field(request, "why", str)
    if name == "note" and not (why or "").strip():
        raise CommandError("why is empty: a note says in words what was done")
    return Command(
        *stamp,
        source,
        _COMMANDS[name],
        _field(request, "by", str) or "unknown",
        alarm=_field(request, "alarm", str),
        for_s=_seconds(request, "for_s"),
        why=why,
        box=_field(request, "box", str),
        kind=_field(request, "kind", str),
    )


def leak_test_of(request: Mapping[str, object], plan: WatchPlan) -> LedgerRow:
    """The ledger row of {box, started_ms, ended_ms, document}; CommandError if it is none."""
    box, document = _field(request, "box", str), _field(request, "document", dict)
    started_ms, ended_ms = (_field(request, end, int) for end in ("started_ms", "ended_ms"))
    if box not in plan.boxes or document is None or started_ms is None or ended_ms is None:
        raise CommandError("not written: a box, both its ends and a document are needed")
    try:
        return leak_test_row(plan.site, box, started_ms, ended_ms, document)
    except ValueError as error:
        raise CommandError(f"not written: {error}") from None


def _field(request: Mapping[str, object], name: str, kind: type[T]) -> T | None:
    """A field of the request; None where it is absent or null, CommandError for another kind."""
    value = request.get(name)
    if value is None or isinstance(value, kind):
        return value
    raise CommandError(f"{name} cannot be {value!r}")


def _seconds(request: Mapping[str, object], name: str) -> float | None:
    value = request.get(name)
    if value is None or (isinstance(value, int | float) and math.isfinite(value)):
        return value
    raise CommandError(f"{name} cannot be {value!r}")
