"""The state table itself."""

from __future__ import annotations

from itertools import product
from typing import get_args

import pytest

from dewline.events import ACTIVE_STATES, LATCHED_STATES, OVERLAY_STATES, State, Transition
from dewline.watch.alarms.states import TABLE, Fact, Origin, Trigger, find
from tests.watch.state_diagram import LEGAL, LETTERS, state_diagram

FACTS = get_args(Fact)
ALL_FACTS = [dict(zip(FACTS, values, strict=True)) for values in product((True, False), repeat=6)]


def test_letters_are_those_of_the_standard_s_diagram() -> None:
    """A-I in the order normal .. out-of-service."""
    assert "".join(LETTERS[state] for state in get_args(State)) == "ABCDEFGHI"


def test_every_word_of_the_table_is_one_of_its_vocabulary() -> None:
    """States, triggers, facts and transitions are spelt as everybody else spells them."""
    for row in TABLE:
        assert {row.state, row.to} <= set(get_args(State))
        assert row.trigger in get_args(Trigger)
        assert set(row.when) <= set(FACTS)
        assert row.transition in get_args(Transition)
        assert row.origin in get_args(Origin)


ENDS_OF_OVERLAYS: tuple[Trigger, ...] = ("unshelve", "return", "unsuppress")


def test_every_state_can_be_reached_and_left() -> None:
    """No state is a trap and none is unreachable."""
    for state in get_args(State):
        assert any(row.to == state and row.state != state for row in TABLE)
        assert any(row.state == state and row.to != state for row in TABLE)


@pytest.mark.parametrize("state", get_args(State))
@pytest.mark.parametrize("trigger", get_args(Trigger))
def test_what_is_absent_is_illegal(state: State, trigger: Trigger) -> None:
    """find gives a row of the table for exactly this state and trigger, or nothing."""
    has_rows = any(row.state == state and row.trigger == trigger for row in TABLE)
    for facts in ALL_FACTS:
        row = find(state, trigger, facts)
        if row is None:
            fitting = [
                r
                for r in TABLE
                if (r.state, r.trigger) == (state, trigger) and all(facts[w] for w in r.when)
            ]
            assert not fitting
        else:
            assert has_rows
            assert (row.state, row.trigger) == (state, trigger)
            assert (state, row.transition, row.to) in LEGAL


def test_a_plain_state_agrees_with_the_condition() -> None:
    """active leads to B or nowhere; clear never leads to B or C."""
    for facts in ALL_FACTS:
        for state in get_args(State):
            row = find(state, "active", facts)
            assert row is None or row.to == "unacknowledged"
            row = find(state, "clear", facts)
            assert row is None or row.to not in ACTIVE_STATES


def test_a_latch_is_left_only_by_reset_overlay_or_a_new_raise() -> None:
    """From E and F nothing but reset (or the end of the rule) leads to normal."""
    for row in TABLE:
        if row.state in LATCHED_STATES and row.to == "normal":
            assert row.trigger in ("reset", "retire")
    for facts in ALL_FACTS:
        for overlay in OVERLAY_STATES:
            for trigger in ENDS_OF_OVERLAYS:
                found = find(overlay, trigger, facts)
                assert found is None or found.to != "normal" or not facts["latched"]


def test_overlays_keep_their_precedence() -> None:
    """Out-of-service is left by its own end alone; shelved by that and by out-of-service."""
    leaving = {row.trigger for row in TABLE if row.state == "out-of-service" != row.to}
    assert leaving == {"return", "retire"}
    leaving = {row.trigger for row in TABLE if row.state == "shelved" != row.to}
    assert leaving == {"unshelve", "remove", "retire"}
    leaving = {row.trigger for row in TABLE if row.state == "suppressed" != row.to}
    assert leaving == {"unsuppress", "shelve", "remove", "retire"}


def test_suppression_is_over_when_it_ends_whatever_else_would_suppress() -> None:
    """Each end of it leads out of it; the engine asks anew what holds the alarm."""
    for facts in ALL_FACTS:
        row = find("suppressed", "unsuppress", facts)
        assert row is not None
        assert row.to != "suppressed"


def test_what_is_not_normal_ends_with_its_rule() -> None:
    """Every state but normal is cleared; of a normal alarm there is nothing to tell."""
    for facts in ALL_FACTS:
        for state in get_args(State):
            row = find(state, "retire", facts)
            assert (row is None) == (state == "normal")
            assert row is None or (row.to, row.transition) == ("normal", "cleared")


def test_diagram_shows_every_move_of_the_table() -> None:
    """One arrow per move between two states, and an entry."""
    text = state_diagram()
    assert text.startswith("stateDiagram-v2\n    [*] --> normal\n")
    moves = {
        (row.state, row.to, row.trigger)
        for row in TABLE
        if row.origin != "NOTICE" and row.state != row.to
    }
    for state, to, trigger in moves:
        line = f"    {state.replace('-', '_')} --> {to.replace('-', '_')}: {trigger}"
        assert line in text
