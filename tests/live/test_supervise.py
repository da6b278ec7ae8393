"""Tasks that fail are reported and started again, after a longer pause each time."""

import pytest

from dewline.clock import StepClock
from dewline.live.supervise import keep_running


async def test_a_failing_task_is_restarted_with_growing_pauses_and_counted(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Each failure in a row is reported with its number; the pauses double."""
    clock = StepClock(0)
    starts: list[float] = []
    heard: list[tuple[str, int]] = []

    async def job() -> None:
        starts.append(clock.monotonic())
        if len(starts) < 5:
            raise ValueError("broken")

    await clock.run(keep_running("bus x", job, clock, lambda name, n: heard.append((name, n))))
    assert heard == [("bus x", n) for n in (1, 2, 3, 4)]
    assert starts == [0.0, 1.0, 3.0, 7.0, 15.0]
    assert "task bus x failed (4 in a row)" in caplog.text


async def test_a_task_that_ran_well_for_long_starts_counting_anew() -> None:
    """A failure after ten good minutes is the first in a row again."""
    clock = StepClock(0)
    heard: list[int] = []
    runs = 0

    async def job() -> None:
        nonlocal runs
        runs += 1
        if runs == 3:
            return
        await clock.sleep(700)
        raise ValueError("once a day")

    await clock.run(keep_running("t", job, clock, lambda _, n: heard.append(n)))
    assert heard == [1, 1]


async def test_a_report_that_fails_itself_does_not_end_the_task(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Reporting a failure may fail for the same cause; the task is started again all the same."""
    clock = StepClock(0)
    runs = 0

    async def job() -> None:
        nonlocal runs
        runs += 1
        if runs < 3:
            raise ValueError("broken")

    def hear(_name: str, _failures: int) -> None:
        raise RuntimeError("the watch is broken too")

    await clock.run(keep_running("t", job, clock, hear))
    assert runs == 3
    assert "could not be told" in caplog.text
