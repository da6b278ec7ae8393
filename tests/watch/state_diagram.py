"""What the state table says: its legal moves, and its diagram for the guide."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from dewline.events import State, Transition
from dewline.watch.alarms.states import TABLE

LETTERS: Mapping[State, str] = dict(zip(get_args(State), "ABCDEFGHI", strict=False))
# Events that may be written about an alarm in any state, and change none.
REMARKS: frozenset[Transition] = frozenset({"chattering", "cause-changed"})
LEGAL: frozenset[tuple[State, Transition, State]] = frozenset(
    (row.state, row.transition, row.to) for row in TABLE
)


def state_diagram() -> str:
    """The table as a Mermaid state diagram, generated so that it always agrees.

    Rows that change no state are left out.
    """
    lines = ["stateDiagram-v2", "    [*] --> normal"]
    lines += [f"    {_word(state)}: {LETTERS[state]} {state}" for state in get_args(State)]
    seen: set[str] = set()
    for row in TABLE:
        if row.origin == "NOTICE" or row.to == row.state:
            continue
        condition = f" [{', '.join(row.when)}]" if row.when else ""
        line = f"    {_word(row.state)} --> {_word(row.to)}: {row.trigger}{condition}"
        if line not in seen:
            seen.add(line)
            lines.append(line)
    return "\n".join(lines) + "\n"


def _word(state: State) -> str:
    return state.replace("-", "_")
