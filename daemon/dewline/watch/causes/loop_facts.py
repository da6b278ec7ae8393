"""Facts of the loop and its bed: stops and changes of speed as tests, bed, regeneration."""

from __future__ import annotations

from collections.abc import Callable
from math import log
from statistics import median
from typing import NamedTuple

from dewline.watch.causes.facts import Fact, Found, View, amount, holds, ramp, span
from dewline.watch.causes.history import Series
from dewline.watch.causes.names import fact_name

STOP_LEAST_MIN = 8.0
STOP_SETTLE_MIN = 3.0
LOOK_BACK_MIN = 239.0
SAMPLE_MIN = 1 / 6  # a rise between two samples may have taken no time at all
# A change of speed counts from this ratio on, with the speed steady for so long before it, and so
# long after it the box has settled.
SPEED_TIMES, SPEED_HELD_MIN, SPEED_SETTLE_MIN = 1.5, 20.0, 20.0
LEAST_HELD_PPM = 0.4
CLEARS_MIN = {"oxygen": 45.0, "moisture": 720.0}  # what came in during a stop is cleaned by then


def loop_facts(view: View) -> Found:
    """Whether the loop runs, and its flow beside the usual one of the box.

    Also whether the rise began while it stood.
    """
    history = view.history
    on = history.now("circulating")
    if on is None:
        return
    series = history.series("circulating", LOOK_BACK_MIN)
    off_min = _since(series, lambda v: v > 0.5)
    text = f"circulator off for {span(off_min)}" if on < 0.5 else "circulator on"
    yield "loop-stopped", holds(on < 0.5, text)
    yield from _in_stop(view, series, on)
    before = view.onset_min + 5.0
    was_on = history.share_on("circulating", before + 5.0)
    if was_on is not None:
        yield "loop-steady", Fact(ramp(was_on, 0.9, 1.0), "circulator on all the while")
    flow, own = history.now("circulation_flow"), _own_flow(view)
    if on > 0.5 and flow is not None and own:
        share = flow / own
        text = f"circulation {flow:.0f} m3/h, usually {own:.0f}"
        yield "loop-slow", Fact(ramp(share, 0.9, 0.75), text)
        yield "loop-dead-flow", Fact(ramp(share, 0.2, 0.05), text)
        yield from _scaled(view, share)


def _in_stop(view: View, series: Series, on: float) -> Found:
    """Whether the rise began while the loop stood, and whether it is faster than gloves explain."""
    onset = view.onset_min
    if onset > 200.0:
        series = view.history.series("circulating", 4320.0)
    off = [t for t, v in series if v < 0.5]
    first = -_began(series, off[-1]) if off else 0.0
    slack = 15.0 if onset > 200.0 else 3.0
    # Nothing rose before the stop, and nothing since.
    came = bool(off) and onset <= first + slack and _is_over(view, -off[-1])
    explains = on < 0.5 and onset <= first + slack
    text = (
        f"it came up while the circulator stood, {span(max(1.0, first + off[-1]))}" if off else ""
    )
    yield "stop-explains", holds(explains or came, text)
    oxygen = view.rises.get("oxygen")
    if on < 0.5 and oxygen is not None and oxygen.start_min >= 2.0:
        steep = ramp(_steepest(view, off), 4.0, 10.0)
        text = f"with the loop off O2 climbs {amount(_steepest(view, off))} ppm/h, gloves give 1-2"
        yield "slope-beyond-own", Fact(steep, text)
        if explains:
            yield "own-slope-in-stop", Fact(ramp(oxygen.slope_h, 5.0, 3.0), text)
    yield from _leapt(view)


def _leapt(view: View) -> Found:
    """Whether it rose at once, which the sources of a box that stands never do."""
    lead = view.lead
    if lead is None or lead.form == "none":
        return
    size = lead.peak - lead.base
    per_h = 0.9 * size / max(lead.rise_min, SAMPLE_MIN) * 60
    text = f"it rose by {amount(size)} ppm within {span(lead.rise_min)}"
    yield "faster-than-sources", Fact(ramp(per_h, 60.0, 200.0) * ramp(size, 1.0, 2.0), text)


def _is_over(view: View, since: float) -> bool:
    """Whether the rise has ended since the loop runs again, ``since`` minutes ago."""
    lead = view.lead
    if lead is None or since > CLEARS_MIN[lead.gas]:
        return False
    return since <= 3.0 or lead.now <= 0.97 * lead.peak


def _began(series: Series, off: float) -> float:
    """When the stop before ``off`` began: the last time the loop was seen to run before it."""
    runs = [t for t, v in series if v >= 0.5 and t < off]
    return runs[-1] if runs else series[0][0]


def _steepest(view: View, off: list[float]) -> float:
    """Slope of oxygen since the stop, ppm/h, the first minutes left out."""
    if not off:
        return 0.0
    since = max(off[0] + 1.5, -29.0)
    points = [p for p in view.history.series("oxygen", 29.0) if p[0] >= since]
    if len(points) < 6:
        return 0.0
    return 60 * (points[-1][1] - points[0][1]) / (points[-1][0] - points[0][0])


def _own_flow(view: View) -> float | None:
    """The usual flow of the box: the upper quarter of three days while the blower ran, m³/h."""
    flows = sorted(v for v in view.history.values("circulation_flow", 4320.0, 20.0) if v > 1.0)
    if len(flows) < 6:
        flows = sorted(v for v in view.history.values("circulation_flow", 240.0, 3.0) if v > 1.0)
    return flows[len(flows) * 3 // 4] if len(flows) >= 6 else None


def _scaled(view: View, share: float) -> Found:
    """Whether the levels rose as the flow fell: with constant sources a level goes as 1/flow."""
    if share > 0.85 or share < 0.1:
        return
    fits = []
    for rise in view.rises.values():
        wanted = max(rise.base, 0.05) / share
        fits.append(ramp(abs(rise.now - wanted), 0.6 * wanted + 0.3, 0.2 * wanted + 0.1))
    if fits:
        text = f"levels rose as the flow fell to {share:.0%}"
        yield "scaled-by-flow", Fact(min(fits), text)


def _since(series: Series, condition: Callable[[float], bool]) -> float:
    """Minutes since ``condition`` was last true; the whole stretch where it never was."""
    for t, v in reversed(series):
        if condition(v):
            return -t
    return -series[0][0] if series else 0.0


def stop_facts(view: View) -> Found:
    """The last stop of the loop as a test: oxygen from a hole in the shell goes on to rise.

    Oxygen that comes through the loop or from the bed does not. A source in the shell that holds
    a level in the running box makes it rise by that level in one time constant.
    """
    rise = view.rises.get("oxygen")
    stop = _last_stop(view)
    if rise is None or stop is None:
        return
    start, end = stop
    oxygen = view.history.series("oxygen", LOOK_BACK_MIN)
    before = [v for t, v in oxygen if start - 10 <= t <= start]
    during = [(t, v) for t, v in oxygen if start + STOP_SETTLE_MIN <= t <= end]
    if len(before) < 3 or len(during) < 4:
        return
    held = median(before) - rise.base
    slope_h = 60 * (during[-1][1] - during[0][1]) / (during[-1][0] - during[0][0])
    if held < LEAST_HELD_PPM:
        return
    tau_h = (view.tau_min() or 1.3) / 60
    expected = held / tau_h
    text = f"O2 climbed {amount(slope_h)} ppm/h while the loop stood, not {expected:.0f}"
    yield "stop-own-slope", Fact(ramp(slope_h, 0.4 * expected, 0.15 * expected), text)
    text = f"O2 climbed {amount(slope_h)} ppm/h while the loop stood: the source is in the shell"
    yield "stop-shell-slope", Fact(ramp(slope_h, 0.2 * expected, 0.5 * expected), text)
    yield from _restart(view, held, rise.base, end)


def speed_facts(view: View) -> Found:
    """The last change of blower speed as a test: a level from a true source goes as 1/flow.

    The power of the flow by which the level changed is near -1 then, and near 0 for air drawn
    into the sample line or for a drifted zero.
    """
    rise = view.rises.get("oxygen")
    if rise is None:
        return
    change = _last_speed(view.history.series("circulation_flow", LOOK_BACK_MIN))
    if change is None:
        return
    at, old, new = change
    if rise.start_min < SPEED_HELD_MIN - at:
        return
    oxygen = view.history.series("oxygen", LOOK_BACK_MIN)
    before = [v for t, v in oxygen if at - SPEED_HELD_MIN <= t < at - 1]
    after = [v for t, v in oxygen if at + SPEED_SETTLE_MIN <= t <= at + 2 * SPEED_SETTLE_MIN]
    if len(before) < 3 or len(after) < 3 or median(before) - rise.base < LEAST_HELD_PPM:
        return
    ratio = (median(after) - rise.base) / (median(before) - rise.base)
    power = log(max(0.05, ratio)) / log(new / old)
    text = (
        f"O2 went from {amount(median(before))} to {amount(median(after))} ppm "
        f"as the flow went from {old:.0f} to {new:.0f} m3/h"
    )
    yield "speed-as-source", Fact(ramp(power, -0.4, -0.8), text)
    yield "speed-unscaled", Fact(ramp(abs(power), 0.5, 0.2), text)


class SpeedChange(NamedTuple):
    """A change between two steady flows, m³/h; ``at_min`` is negative, before now."""

    at_min: float
    old: float
    new: float


def _last_speed(flow: Series) -> SpeedChange | None:
    """The last change of the flow, if it was steady before and is steady since."""
    now = [v for t, v in flow if t >= -SPEED_SETTLE_MIN]
    new = median(now) if len(now) >= 3 else 0.0
    if new <= 1.0:
        return None
    other = [t for t, v in flow if not 1 / SPEED_TIMES < v / new < SPEED_TIMES]
    if not other or other[-1] > -SPEED_SETTLE_MIN - 3:
        return None
    earlier = [v for t, v in flow if other[-1] - SPEED_HELD_MIN <= t <= other[-1]]
    old = median(earlier)
    steady = old > 1.0 and all(0.8 < v / old < 1.25 for v in earlier) and len(earlier) >= 3
    return SpeedChange(other[-1], old, new) if steady else None


def _restart(view: View, held: float, base: float, end: float) -> Found:
    """Whether oxygen is back on its level of before the stop, half an hour after the restart."""
    oxygen = view.history.series("oxygen", LOOK_BACK_MIN)
    later = [v for t, v in oxygen if end + 10 <= t <= end + 30]
    peak = max((v for t, v in oxygen if end - 3 <= t <= end + 3), default=None)
    if len(later) < 3 or peak is None:
        return
    level = median(later) - base
    text = f"after the restart O2 went back to {amount(level + base)} ppm"
    yield "restart-same-level", Fact(ramp(abs(level - held), 0.5 * held, 0.15 * held), text)


def _last_stop(view: View) -> tuple[float, float] | None:
    """Start and end of the last stop of the loop, minutes (negative: before now)."""
    series = view.history.series("circulating", LOOK_BACK_MIN)
    end: float | None = None
    for t, v in reversed(series):
        if v < 0.5 and end is None:
            end = t
        elif v >= 0.5 and end is not None:
            return (t, end) if end - t >= STOP_LEAST_MIN else None
    return None


def bed_facts(view: View) -> Found:
    """Temperature of the bed, its cooling and regeneration, and its outlet beside the box.

    The usual temperature is the lower quarter of three days; none counts in a regeneration.
    """
    history = view.history
    bed = history.now("bed_temperature")
    seen = sorted(history.values("bed_temperature", 4320.0, 30.0))
    own = seen[len(seen) // 4] if len(seen) >= 3 else None
    if bed is not None and own is not None and not _regenerating(view):
        warm = max(ramp(bed - own, 2.0, 6.0), ramp(bed, 40.0, 50.0))
        yield "bed-warm", Fact(warm, f"bed at {bed:.0f} degC, usually {own:.0f}")
    yield from _cooling(view)
    yield from _regeneration(view)
    for gas in view.rises:
        outlet, level = history.now(f"outlet_{gas}"), history.level(gas)
        if outlet is not None and level is not None and level > 0.5:
            text = f"bed outlet {amount(outlet)} ppm for {amount(level)} ppm in the box"
            yield fact_name(f"{gas}-outlet-as-box"), Fact(ramp(outlet / level, 0.3, 0.7), text)
            yield fact_name(f"{gas}-outlet-clean"), Fact(ramp(outlet / level, 0.3, 0.1), text)


def _cooling(view: View) -> Found:
    history = view.history
    flow, own = (
        history.now("cooling_water_flow"),
        history.typical("cooling_water_flow", 4320.0, 120.0),
    )
    if flow is not None and own:
        text = f"cooling water {flow:.1f} L/min, usually {own:.1f}"
        yield "cooling-lost", Fact(ramp(flow / own, 0.8, 0.5), text)


def _regenerating(view: View) -> bool:
    on = view.history.now("regenerating")
    return on is not None and on > 0.5


def _regeneration(view: View) -> Found:
    history = view.history
    if not history.has("regenerating"):
        return
    running = _regenerating(view)
    yield "regenerating", holds(running, "a regeneration is on")
    slow = history.series("regenerating", 4320.0)
    mid = history.series("regenerating", LOOK_BACK_MIN)
    ended = min(_since(slow, lambda v: v > 0.5), _since(mid, lambda v: v > 0.5))
    ever = any(v > 0.5 for _, v in (*slow, *mid))
    recent = ever and not running
    truth = ramp(ended, 1440.0, 240.0) if recent else 0.0
    yield "regeneration-recent", Fact(truth, f"regenerated {span(ended)} ago")
    if recent:
        yield from _hydrogen(view, ended)


def _hydrogen(view: View, ended: float) -> Found:
    """Forming gas that flowed during the last regeneration, and whether that was too short."""
    history = view.history
    on = [t for t, v in history.series("regenerating", 4320.0) if v > 0.5]
    if not on or not history.has("forming_gas_flow"):
        return
    flows = [v for t, v in history.series("forming_gas_flow", 4320.0) if on[0] <= t <= on[-1]]
    if len(flows) < 6 or on[-1] - on[0] < 120:
        return
    litres = sum(flows) * 10.0
    text = f"{litres:.0f} L of forming gas flowed in the last regeneration"
    yield "regeneration-dry", Fact(ramp(litres, 600.0, 100.0), text)
    short = ramp(on[-1] - on[0], 480.0, 240.0)
    yield "regeneration-short", Fact(short, f"it lasted {span(on[-1] - on[0])} only")


FINDERS = (loop_facts, stop_facts, speed_facts, bed_facts)
