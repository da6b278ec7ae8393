"""The states of an alarm and the legal moves between them, as a table.

States and moves after ISA-18.2 / IEC 62682 (letters A-I of its state diagram); a move that is
not in the table is illegal. Rows marked ``TABLE`` are the standard's; ``PRECEDENCE`` rows
follow from one alarm being under several overlays at once (out-of-service > shelved >
suppressed); ``LATCH`` rows keep a latch through an overlay; ``NOTICE`` rows are no
moves of the standard: reminders, escalations, and the end of an alarm whose rule is gone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, NamedTuple, get_args

from dewline.events import State, Transition

Trigger = Literal[
    "active",
    "clear",
    "acknowledge",
    "reset",
    "remind",
    "escalate",
    "shelve",
    "unshelve",
    "suppress",
    "unsuppress",
    "remove",
    "return",
    "retire",
]
Fact = Literal["active", "latch", "auto", "latched", "shelved", "suppressed"]
Origin = Literal["TABLE", "PRECEDENCE", "LATCH", "NOTICE"]

# The order of State puts latched-* at E and F and shelved, suppressed, out-of-service at G, H, I.
PLAIN: tuple[State, ...] = get_args(State)[:6]


class StateRow(NamedTuple):
    """One legal move, if every fact in ``when`` holds. The first row that fits is taken."""

    state: State
    trigger: Trigger
    when: tuple[Fact, ...]
    to: State
    transition: Transition
    origin: Origin = "TABLE"


def _overlay_rows() -> Iterator[StateRow]:
    """A-F into each overlay, and out of it: to B if the condition is active, else A."""
    enter: tuple[tuple[Trigger, State, Transition], ...] = (
        ("shelve", "shelved", "shelved"),
        ("suppress", "suppressed", "suppressed"),
        ("remove", "out-of-service", "removed-from-service"),
    )
    for state in PLAIN:
        for trigger, to, transition in enter:
            yield StateRow(state, trigger, (), to, transition)
    leave: tuple[tuple[State, Trigger, Transition], ...] = (
        ("shelved", "unshelve", "unshelved"),
        ("suppressed", "unsuppress", "unsuppressed"),
        ("out-of-service", "return", "returned-to-service"),
    )
    for state, trigger, transition in leave:
        if state == "out-of-service":
            yield StateRow(state, trigger, ("shelved",), "shelved", transition, "PRECEDENCE")
        if state != "suppressed":
            yield StateRow(state, trigger, ("suppressed",), "suppressed", transition, "PRECEDENCE")
        yield StateRow(state, trigger, ("active",), "unacknowledged", transition)
        yield StateRow(state, trigger, ("latched",), "latched-unacknowledged", transition, "LATCH")
        yield StateRow(state, trigger, (), "normal", transition)


def _precedence_rows() -> Iterator[StateRow]:
    """A higher overlay comes over a lower one; a lower one ends below a higher one."""
    moves: tuple[tuple[State, Trigger, State, Transition], ...] = (
        ("suppressed", "shelve", "shelved", "shelved"),
        ("suppressed", "remove", "out-of-service", "removed-from-service"),
        ("shelved", "remove", "out-of-service", "removed-from-service"),
        ("shelved", "unsuppress", "shelved", "unsuppressed"),
        ("out-of-service", "unsuppress", "out-of-service", "unsuppressed"),
        ("out-of-service", "unshelve", "out-of-service", "unshelved"),
    )
    for state, trigger, to, transition in moves:
        yield StateRow(state, trigger, (), to, transition, "PRECEDENCE")


def _rows() -> Iterator[StateRow]:
    b: State = "unacknowledged"
    c: State = "acknowledged"
    e: State = "latched-unacknowledged"
    f: State = "latched-acknowledged"
    yield StateRow("normal", "active", (), b, "raised")
    yield StateRow(b, "acknowledge", (), c, "acknowledged")
    yield StateRow(b, "clear", ("latch",), e, "returned")
    yield StateRow(b, "clear", ("auto",), "normal", "cleared")
    yield StateRow(b, "clear", (), "returned", "returned")
    yield StateRow(c, "clear", ("latch",), f, "returned")
    yield StateRow(c, "clear", (), "normal", "cleared")
    # Re-alarm: a rule with remind_every asks again although somebody has acknowledged.
    yield StateRow(c, "remind", (), b, "reminded")
    yield StateRow("returned", "acknowledge", (), "normal", "acknowledged")
    yield StateRow("returned", "active", (), b, "raised")
    yield StateRow(e, "acknowledge", (), f, "acknowledged")
    yield StateRow(e, "active", (), b, "raised")
    yield StateRow(f, "reset", (), "normal", "reset")
    yield StateRow(f, "active", (), b, "raised")
    yield from _overlay_rows()
    yield from _precedence_rows()
    for state in (b, e):
        yield StateRow(state, "remind", (), state, "reminded", "NOTICE")
        yield StateRow(state, "escalate", (), state, "escalated", "NOTICE")
    for state in get_args(State):
        if state != "normal":
            yield StateRow(state, "retire", (), "normal", "cleared", "NOTICE")


TABLE: tuple[StateRow, ...] = tuple(_rows())
_BY_STATE: dict[tuple[State, Trigger], tuple[StateRow, ...]] = {
    (row.state, row.trigger): tuple(
        r for r in TABLE if r.state == row.state and r.trigger == row.trigger
    )
    for row in TABLE
}


def find(state: State, trigger: Trigger, facts: Mapping[Fact, bool]) -> StateRow | None:
    """The move from ``state`` on ``trigger`` under ``facts``; None where it is illegal."""
    for row in _BY_STATE.get((state, trigger), ()):
        if all(facts[word] for word in row.when):
            return row
    return None
