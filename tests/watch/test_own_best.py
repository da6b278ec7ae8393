"""The best flow of a loop, beside which it is judged: kept until the filter is changed."""

from __future__ import annotations

import pytest

from dewline.readings import Quality
from dewline.watch.conditions.levels import BEST_OVER_MS, AgainstBest
from dewline.watch.signals.signal_state import SignalState
from dewline.watch.signals.slope import MedianWindow

HOUR_MS = 3_600_000
DAYS = 200


def watched(role: str) -> tuple[SignalState, AgainstBest]:
    """A signal of heron read once an hour, and a rule on 0.7 of its best."""
    signal = SignalState(f"heron.{role}", "m3/h", 5 * HOUR_MS)
    window = MedianWindow(BEST_OVER_MS)
    signal.add_window(window)
    return signal, AgainstBest(signal, window, 0.7, 0.0, high=False)


def clog(signal: SignalState, rule: AgainstBest, days: int, start: float, end: float) -> None:
    """A flow that falls evenly for so many days."""
    begin_ms = signal.alive_ms + HOUR_MS
    for hour in range(24 * days):
        at_ms = begin_ms + hour * HOUR_MS
        signal.update(at_ms, start + (end - start) * hour / (24 * days), Quality.GOOD)
        rule.truth(at_ms, False)


def test_a_filter_that_clogs_for_half_a_year_is_told() -> None:
    """From 60 to 35 m3/h in 200 days: the limit stays at 0.7 of the 60 it began with."""
    signal, rule = watched("circulation_flow")
    clog(signal, rule, DAYS, 60.0, 35.0)
    assert rule.limit() == pytest.approx(42.0, rel=0.01)
    assert rule.truth(signal.alive_ms, False)


def test_a_new_filter_begins_a_new_best() -> None:
    """After that note the flow of today is the best; other notes change nothing."""
    signal, rule = watched("circulation_flow")
    clog(signal, rule, 10, 60.0, 60.0)
    rule.note("pump-oil")
    clog(signal, rule, 10, 50.0, 50.0)
    assert rule.limit() == pytest.approx(42.0)
    rule.note("filter")
    assert rule.limit() is None
    clog(signal, rule, 10, 50.0, 50.0)
    assert rule.limit() == pytest.approx(35.0)


def test_what_no_note_renews_has_a_best_of_ninety_days() -> None:
    """No note ends the best of a signal of one's own, so that an old one must not stay for ever."""
    signal, rule = watched("draught")
    clog(signal, rule, 10, 60.0, 60.0)
    clog(signal, rule, 100, 50.0, 50.0)
    assert rule.limit() == pytest.approx(35.0)
