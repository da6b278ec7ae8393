"""Whose turn it is: absolute slots, no bursts, and little line time for the dead."""

from __future__ import annotations

import itertools
from collections import Counter

import pytest

from dewline.bus.schedule import SILENT_AFTER, PollSlot, Schedule


def _run(
    schedule: Schedule, until_s: float, cost_s: dict[bool, float], dead: set[int]
) -> tuple[Counter[int], list[tuple[float, int]]]:
    """Crank a bus on which an answer and a silence cost so many seconds."""
    now_s, answers, turns = 0.0, Counter[int](), list[tuple[float, int]]()
    while True:
        index, ready_s = schedule.next(now_s)
        now_s = max(now_s, ready_s)
        if now_s >= until_s:
            return answers, turns
        turns.append((now_s, index))
        began_s, answered = now_s, index not in dead
        now_s += cost_s[answered]
        answers[index] += answered
        schedule.finish_turn(index, began_s, now_s, answered)


def test_slots_are_absolute() -> None:
    """An exchange that takes a while shifts nothing: polls stand at whole multiples."""
    _, turns = _run(Schedule([PollSlot(1.0, 0.0)]), 10.0, {True: 0.3, False: 0.0}, set())
    assert turns == [(float(second), 0) for second in range(10)]


def test_missed_slots_are_skipped_and_counted() -> None:
    """A turn of 2.5 s costs two slots of an instrument polled each second; no burst follows."""
    slot = PollSlot(1.0, 0.0)
    slot.finish_turn(2.5, answered=True)
    assert (slot.due_s, slot.missed) == (3.0, 2)
    slot.finish_turn(3.1, answered=True)
    assert (slot.due_s, slot.missed) == (4.0, 2)


def test_the_longest_waiting_goes_first() -> None:
    """On a bus that cannot keep up everyone gets the same share."""
    schedule = Schedule([PollSlot(1.0, 0.0) for _ in range(5)])
    answers, _ = _run(schedule, 100.0, {True: 0.4, False: 0.0}, set())
    assert max(answers.values()) - min(answers.values()) <= 2
    assert schedule.missed > 200


def test_one_lost_answer_costs_one_poll() -> None:
    """The poll after a lost answer is at the very next slot."""
    slot = PollSlot(1.0, 0.0)
    slot.finish_turn(0.5, answered=False)
    assert slot.due_s == 1.0


def test_spacing_grows_to_a_minute() -> None:
    """A lone silent unit is probed at 1, 1, 2, 4 ... s, at last once a minute."""
    _, turns = _run(Schedule([PollSlot(1.0, 0.0)]), 600.0, {True: 0.0, False: 0.3}, {0})
    gaps = [round(b[0] - a[0]) for a, b in itertools.pairwise(turns)]
    assert gaps[:8] == [1, 1, 2, 4, 8, 16, 32, 60]
    assert set(gaps[8:]) == {60}


def test_a_slow_instrument_is_never_probed_faster_or_slower_than_polled() -> None:
    """Polled every two minutes, it is probed every two minutes."""
    _, turns = _run(Schedule([PollSlot(120.0, 0.0)]), 1200.0, {True: 0.0, False: 0.3}, {0})
    assert [t for t, _ in turns] == [120.0 * i for i in range(10)]


@pytest.mark.parametrize(("dead", "silence_s"), [({0, 4, 8}, 0.6), ({0, 4, 8}, 1.3)])
def test_three_of_ten_dead(dead: set[int], silence_s: float) -> None:
    """The living keep 95 % of their polls, and each dead one is still probed every minute."""
    schedule = Schedule([PollSlot(1.0, 0.0) for _ in range(10)])
    answers, turns = _run(schedule, 600.0, {True: 0.03, False: silence_s}, dead)
    assert min(answers[i] for i in range(10) if i not in dead) >= 570
    for unit in dead:
        probes = [t for t, index in turns if index == unit]
        assert max(b - a for a, b in itertools.pairwise(probes)) <= 65.0


def test_a_returned_unit_is_polled_as_before() -> None:
    """The first answer ends the probing."""
    slot = PollSlot(1.0, 0.0)
    for second in range(SILENT_AFTER + 4):
        slot.finish_turn(float(second), answered=False)
    due_s = slot.due_s
    slot.finish_turn(due_s + 0.1, answered=True)
    assert slot.due_s == due_s + 1.0


def test_a_crowded_bus_still_probes() -> None:
    """Even where the living fill the line, a silent unit is tried about once a minute."""
    schedule = Schedule([PollSlot(1.0, 0.0) for _ in range(4)])
    _, turns = _run(schedule, 600.0, {True: 0.5, False: 0.3}, {3})
    assert sum(index == 3 for _, index in turns) >= 5


def test_a_new_link_forgives() -> None:
    """After a reconnect every unit is asked at once, then at its slots, without a backlog."""
    schedule = Schedule([PollSlot(1.0, 0.0), PollSlot(2.0, 0.0)])
    for _ in range(8):
        schedule.finish_turn(0, 0.0, 0.5, answered=False)
    schedule.restart(17.3)
    assert [slot.due_s for slot in schedule.slots] == [17.0, 16.0]
    schedule.finish_turn(1, 17.3, 17.4, answered=True)
    assert (schedule.slots[1].due_s, schedule.missed) == (18.0, 0)


def test_a_stream_sets_its_own_slots() -> None:
    """Listening starts again shortly before the next line is due."""
    slot = PollSlot(1.0, 0.0, streamed=True)
    slot.finish_turn(7.25, answered=True)
    assert slot.due_s == pytest.approx(8.05)
    for _ in range(5):
        slot.finish_turn(slot.due_s + 1.3, answered=False)
        assert not slot.probing
    assert slot.due_s < 20.0
