"""The stepping clock jumps only when nothing runs and no I/O is in flight; pauses double."""

import asyncio
import time

import pytest

from dewline.clock import Backoff, RealClock, StepClock


async def test_sleepers_wake_in_order_of_time_whatever_their_order_of_asking() -> None:
    """Ten hours of sleeps pass in an instant, in time order."""
    clock = StepClock(1_000_000)
    woken: list[tuple[str, float]] = []

    async def sleeper(name: str, seconds: float) -> None:
        await clock.sleep(seconds)
        woken.append((name, clock.monotonic()))

    async def program() -> None:
        async with asyncio.TaskGroup() as group:
            for name, seconds in (("late", 36_000.0), ("early", 1.0), ("middle", 60.0)):
                group.create_task(sleeper(name, seconds))

    started = time.monotonic()
    await clock.run(program())
    assert woken == [("early", 1.0), ("middle", 60.0), ("late", 36_000.0)]
    assert clock.wall_ms() == 1_000_000 + 36_000_000
    assert time.monotonic() - started < 600


async def test_time_stands_still_while_io_is_in_flight() -> None:
    """A real wait inside io() lets no virtual time pass, though another task sleeps."""
    clock = StepClock(0)

    async def exchange() -> float:
        with clock.io():
            await asyncio.sleep(0.02)
            return clock.monotonic()

    async def program() -> float:
        other = asyncio.create_task(clock.sleep(5))
        seen = await exchange()
        await other
        return seen

    assert await clock.run(program()) == 0.0
    assert clock.monotonic() == 5.0


async def test_every_jump_is_confirmed_before_anyone_wakes() -> None:
    """``advance`` is awaited with each moment, and sleepers wake only after it returned."""
    heard: list[int] = []

    async def advance(to_ms: int) -> None:
        await asyncio.sleep(0)
        heard.append(to_ms)

    clock = StepClock(1000, advance)

    async def program() -> list[int]:
        await clock.sleep(1)
        first = list(heard)
        await clock.sleep(2)
        return first

    assert await clock.run(program()) == [2000]
    assert heard == [2000, 4000]


async def test_hung_io_is_an_error_not_a_frozen_night() -> None:
    """I/O that never ends raises instead of freezing virtual time for ever."""
    clock = StepClock(0, hang_after_s=0.05)

    async def program() -> None:
        with clock.io():
            await asyncio.Event().wait()

    with pytest.raises(RuntimeError, match="held by I/O"):
        await clock.run(program())


async def test_an_error_of_the_program_reaches_the_caller() -> None:
    """What the program raises is what run raises."""

    async def program() -> None:
        raise ValueError("mine")

    with pytest.raises(ValueError, match="mine"):
        await StepClock(0).run(program())


async def test_real_clock_can_run_faster() -> None:
    """speed 100 000: an hour of clock time takes a fraction of a second."""
    clock = RealClock(speed=100_000.0, epoch_ms=5000)
    started = time.monotonic()
    await clock.sleep(3600.0)
    assert time.monotonic() - started < 600
    assert clock.wall_ms() >= 3_605_000


@pytest.mark.parametrize("wait_s", [0.0003, 0.00175, 0.002005, 0.0041, 0.0063])
async def test_a_short_wait_is_never_cut_short(wait_s: float) -> None:
    """The silence between frames (t3.5) is a minimum: no wait ends before its moment."""
    clock = RealClock()
    for _ in range(5):
        moment = clock.monotonic() + wait_s
        await clock.sleep_until(moment)
        assert clock.monotonic() >= moment - 1e-4  # an event loop may be early by its resolution


async def test_a_short_wait_leaves_the_loop_to_others() -> None:
    """Whole milliseconds of a short wait are slept in the loop, so other tasks run meanwhile."""
    clock, turns = RealClock(), 0

    async def other() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    task = asyncio.create_task(other())
    await clock.sleep_until(clock.monotonic() + 0.004)
    task.cancel()
    assert turns > 3


def test_pauses_double_up_to_the_longest_and_start_over_after_a_success() -> None:
    """1, 2, 4, 8, then the longest; a reset begins at the first again."""
    pause = Backoff(1.0, 10.0)
    assert [pause.next_s() for _ in range(6)] == [1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    pause.reset()
    assert [pause.next_s(), pause.next_s()] == [1.0, 2.0]
