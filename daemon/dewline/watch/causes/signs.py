"""Facts made of other facts, or of the course of several days."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from statistics import median

from dewline.watch.causes.facts import Fact, Facts, Found, View, amount, holds, ramp, span
from dewline.watch.causes.names import fact_name
from dewline.watch.causes.shape import LEAST_PPM, Rise
from dewline.watch.signals.slope import theil_sen

STRAIGHT_FROM_MIN = 25.0
SLIP_LOW, SLIP_HIGH = 6.0, 15.0
SLIP_STRAYS = 0.15
NIGHT_LEAST_PPM = 0.05
SOLVENT_KEPT_MS = 3 * 86_400_000


def long_facts(view: View) -> Found:
    """Whether idle baselines rise from night to night, and whether a rise is straight for days.

    A straight one has three thirds of which the second and the third rise alike.
    """
    for gas in view.rises:
        yield from _nights(view, gas)
    rise = view.lead
    if rise is None:
        return
    slow = view.history.series(rise.gas, 4320.0)
    if len(slow) >= 100 and rise.start_min > 1200:
        third = len(slow) // 3
        a, b, c = (
            median(v for _, v in part) for part in (slow[:third], slow[third:-third], slow[-third:])
        )
        first, second = b - a, c - b
        even = min(first, second) / max(first, second) if first > 0 and second > 0 else 0.0
        size = ramp(c - a, 0.1, 0.3)
        text = f"a straight climb over {span(rise.start_min)}, {amount(c - a)} ppm"
        yield "days-straight", Fact(size * ramp(even, 0.4, 0.7), text)


def straight_facts(view: View) -> Found:
    """Whether moisture climbs in a straight line for half an hour or longer in a running box.

    A steady source makes a level within minutes, and a bed at its end lets through ever more; a
    zero that drifts does neither.
    """
    rise = view.rises.get("moisture")
    running = (view.history.now("circulating") or 0.0) > 0.5
    if rise is None or not running or rise.start_min < STRAIGHT_FROM_MIN:
        return
    points = view.history.series("moisture", rise.start_min)
    third = len(points) // 3
    if third < 5:
        return
    parts = (points[:third], points[third:-third], points[-third:])
    slopes = [theil_sen([t for t, _ in part], [v for _, v in part]).slope for part in parts]
    even = min(slopes) / max(slopes) if max(slopes) > 0.0 else 0.0
    grown = rise.delta / max(rise.base, LEAST_PPM["moisture"])
    text = f"H2O climbs {amount(rise.slope_h)} ppm/h in a straight line, as no bed or source does"
    yield "hours-straight", Fact(ramp(even, 0.5, 0.75) * ramp(grown, 1.5, 3.0), text)


def _nights(view: View, gas: str) -> Found:
    nights = view.history.nights.get(gas, [])[-5:]
    if len(nights) < 3:
        return
    steps = [b - a for a, b in pairwise(nights)]
    total = nights[-1] - nights[0]
    rising = sum(1 for s in steps if s > 0) / len(steps)
    text = (
        f"idle {gas} went from {amount(nights[0])} to {amount(nights[-1])} ppm "
        f"in {len(nights)} nights"
    )
    climb = ramp(rising, 0.5, 0.9) * ramp(total, NIGHT_LEAST_PPM, 3 * NIGHT_LEAST_PPM)
    faster = steps[-1] / max(1e-6, total / len(steps))
    yield fact_name(f"nights-climb-{gas}"), Fact(climb * ramp(faster, 0.8, 1.4), text)
    yield "nights-straight", Fact(climb * ramp(faster, 1.5, 1.1), text)


def dose_facts(view: View, facts: Facts) -> Found:
    """Whether a dose stays where it should have been cleaned, and whether a rise is slow.

    Slow is no faster than the box's own sources, which are gloves and outgassing.
    """
    oxygen = view.rises.get("oxygen")
    if oxygen is None:
        return
    running = facts.get("loop-stopped", Fact(0.0, "")).truth < 0.5
    own = ramp(oxygen.slope_h, 6.0, 3.0) * ramp(oxygen.slope_h, 0.05, 0.3)
    text = f"O2 climbs {amount(oxygen.slope_h)} ppm/h, no faster than the box's own sources"
    if running and oxygen.up > 0.5:
        yield "slope-own", Fact(own, text)
        tau = view.tau_min()
        held = oxygen.form in ("plateau", "straight", "bending") and oxygen.rise_min < 30
        stays = held and tau is not None and oxygen.start_min > 8 * tau and oxygen.slope_h > -0.5
        if stays:
            text = (
                f"O2 still {amount(oxygen.delta)} ppm above, {span(oxygen.start_min)} after it came"
            )
            yield "dose-stays", Fact(0.5, text)
        slow = oxygen.form == "impulse" and oxygen.now - oxygen.base > 0.3
        if slow and tau is not None:
            left = (oxygen.now - oxygen.base) / max(0.05, oxygen.peak - oxygen.base)
            late = oxygen.start_min - oxygen.rise_min > 8 * tau
            yield "dose-stays", holds(late, f"{left:.0%} of the last dose is still there")
    yield from _like_stopped(view, oxygen, running)


def _like_stopped(view: View, oxygen: Rise, running: bool) -> Found:
    """Whether both gases rise as in a stopped loop, slowly and together, although it runs."""
    moisture = view.rises.get("moisture")
    if not running or moisture is None or oxygen.up < 0.3 or moisture.up < 0.3:
        return
    slope = oxygen.slope_h
    straight = ramp(slope, 0.3, 0.6) * ramp(slope, 6.0, 4.0)
    together = ramp(abs(oxygen.start_min - moisture.start_min), 90.0, 30.0)
    slow = ramp(oxygen.rise_min, 10.0, 30.0)
    text = f"with the blower on O2 climbs {amount(slope)} ppm/h and H2O with it, as if it stood"
    yield "like-stopped", Fact(straight * together * slow, text)


def plain_signs(view: View, facts: Facts) -> Found:
    """Facts that follow from others directly: pressure, bed, power, solvent, slips and zeros.

    Call it last, with all other facts.
    """
    moisture = view.rises.get("moisture")
    if moisture is not None:
        top = max(moisture.delta, moisture.peak - moisture.base)
        yield "moisture-great", Fact(ramp(top, 6.0, 15.0), view.risen("moisture", top))
    lines = [facts[n] for n in ("days-straight", "hours-straight") if n in facts]
    if lines:
        yield "straight-line", max(lines, key=lambda fact: fact.truth)
    low = [facts[n] for n in ("pressure-below", "pressure-dips") if n in facts]
    if low:
        yield "below-or-dips", max(low, key=lambda fact: fact.truth)
    if "bed-warm" in facts:
        yield "bed-cool", Fact(1.0 - facts["bed-warm"].truth, facts["bed-warm"].text)
    refilling = [r for r in view.history.tracks if r.endswith("_refilling")]
    if any((view.history.share_on(r, 3.0) or 0.0) > 0.3 for r in refilling):
        yield "refilling", Fact(1.0, "a chamber is being refilled")
    yield from _power(view, facts)
    yield from _solvent(view, facts)
    if "oxygen-unmoved" in facts:  # a purge may have brought water without oxygen
        beyond = facts.get("beyond-purge", Fact(0.0, "")).truth
        unmoved = facts["oxygen-unmoved"]
        yield "oxygen-unmoved", Fact(unmoved.truth * (1.0 - beyond), unmoved.text)
    if "jump-ten" not in facts:
        yield from _slip(view)
    for gas in [view.about] if view.about in view.rises else []:
        level = view.history.level(gas or "")
        if level is not None:
            yield "below-zero", Fact(ramp(level, -0.2, -0.4), f"{gas} reads {amount(level)} ppm")


def _power(view: View, facts: Facts) -> Found:
    mains = view.history.now("mains_present")
    if mains is not None:
        yield "mains-lost", holds(mains < 0.5, "mains are off")
    lost = mains is not None and mains < 0.5
    lately = any(v < 1.0 for v in view.history.values("mains_present", 29.0))
    if lately and not lost:
        yield "mains-lately", Fact(1.0, "mains were off a short while ago")
    many = facts.get("silent-many", Fact(0.0, "")).truth >= 1.0
    yield "power-sign", holds(lost or lately or many, "several things stopped at once")


def _solvent(view: View, facts: Facts) -> Found:
    vapour = view.history.now("solvent_vapour")
    noted = "mode-solvent-work" in facts
    seen = vapour is not None and vapour > 5.0
    sunk = next((f for f in _sunk(view)), None)
    text = f"solvent vapour {vapour:.0f} ppm" if seen and vapour is not None else "solvent work"
    if sunk is not None:
        yield "oxygen-sunk", sunk
    about = noted or seen or (sunk is not None and sunk.truth > 0.5)
    yield "solvent-about", holds(about, text)
    before = view.history.values("solvent_vapour", 4320.0)
    past = bool(before) and max(before) > 20.0
    named = view.solvent_ms is not None and view.at_ms - view.solvent_ms < SOLVENT_KEPT_MS
    if past or named or "note-solvent" in facts:
        yield "solvent-before", Fact(1.0, "there was solvent in the box")
    if about or past or named:
        yield "solvent-known", Fact(1.0, text if about else "there was solvent in the box")


def _sunk(view: View) -> Iterator[Fact]:
    """Whether oxygen fell to zero on a cell that burns solvent, beside three days before."""
    kind = next((a.kind for a in view.box.analyzers if a.role == "oxygen"), "")
    seen = sorted(view.history.values("oxygen", 4320.0, 30.0))
    usual = seen[len(seen) * 4 // 5] if len(seen) >= 3 else None
    now = view.history.typical("oxygen", 20.0, 0.0)
    if kind.lower() != "zirconia" or usual is None or now is None or usual < 0.1:
        return
    text = f"O2 sank from {amount(usual)} to {amount(now)} ppm on a hot cell, which burns solvent"
    yield Fact(ramp(now / usual, 0.6, 0.25), text)


def _slip(view: View) -> Found:
    """Whether a reading jumped by about ten times from one sample to the next, and stayed."""
    for gas in [view.about] if view.about else view.rises:
        for minutes in (14.0, 239.0):
            series = [v for _, v in view.history.series(gas, minutes)]
            for a, b in pairwise(series):
                low, high = sorted((a, b))
                if low > 0.05 and SLIP_LOW <= high / low <= SLIP_HIGH and _held(series, b):
                    yield "jump-ten", Fact(1.0, f"{gas} jumped from {amount(a)} to {amount(b)} ppm")
                    return


def _held(series: list[float], level: float) -> bool:
    """Whether it stayed at ``level``: a dose would come with the sensor's lag and decay."""
    after = series[series.index(level) :]
    return len(after) >= 3 and all(abs(v - level) < SLIP_STRAYS * level for v in after[:9])
