"""Facts of the two trace gases: how each rises, in what ratio, and what source it needs."""

from __future__ import annotations

from math import inf

from dewline.watch.causes.facts import WORD, Fact, Found, View, amount, holds, ramp, span
from dewline.watch.causes.names import fact_name
from dewline.watch.causes.shape import LEAST_PPM, Rise, surely_up

# Ratio of oxygen to water in room air runs from 6 (30 degC, 80 %) to 45 (20 degC, 20 %);
# saturation pressures as in gas.humidity.
AIR_RATIO_LOW = 4.0
WET_RATIO_HIGH = 1.0
HELD_TAUS = 3.0
FINEST_MIN = 28.0
# How much of a rise the other gas is looked at beside it, minutes.
BESIDE_MIN, BESIDE_SLACK_MIN = 30.0, 4.0
UNSEEN_PPM = 0.2  # what a moisture sensor does not resolve
GLOVES_CM3_H = 30.0  # more than all gloves of a box let through
FORM_WORDS = {
    "step": "went up at once",
    "plateau": "rose and stands level",
    "straight": "climbs in a straight line",
    "convex": "climbs ever faster",
    "bending": "climbs ever slower",
    "impulse": "came as an impulse and decays",
}


def gas_facts(view: View) -> Found:
    """Level of each gas above its baseline, and the form of its rise."""
    for gas, rise in view.rises.items():
        yield from _level(gas, rise, view)
        if rise.up > 0.3 and rise.form != "none":
            yield from _form(gas, rise, view)


def _level(gas: str, rise: Rise, view: View) -> Found:
    level = f"{WORD[gas]} {amount(rise.now)} ppm, {amount(rise.delta)} above its baseline"
    if view.saturated(gas):
        level = f"{view.risen(gas, rise.delta)} from its baseline"
    text = f"{level} {amount(rise.base)}"
    yield fact_name(f"{gas}-up"), Fact(rise.up, text)
    if gas not in view.doubts:
        text = f"{WORD[gas]} flat at {amount(rise.now)} ppm"
        flat = ramp(rise.up, 0.45, 0.15)
        yield fact_name(f"{gas}-flat"), Fact(flat, text)
        if gas == "oxygen":
            up = max(rise.up, surely_up(gas, rise.base, _top_beside(gas, view)))
            yield "oxygen-unmoved", Fact(ramp(up, 0.45, 0.15), text)


def _top_beside(gas: str, view: View) -> float:
    """The highest level of a gas while the other one rose: what moved then was not unmoved."""
    lead = view.lead
    if lead is None or lead.gas == gas or lead.form == "none":
        return -inf
    until = max(0.0, lead.start_min - min(lead.rise_min, BESIDE_MIN) - BESIDE_SLACK_MIN)
    return max(view.history.values(gas, lead.start_min + BESIDE_SLACK_MIN, until), default=-inf)


def _form(gas: str, rise: Rise, view: View) -> Found:
    word = WORD[gas]
    for form, words in FORM_WORDS.items():
        text = f"{word} {words}"
        if form == rise.form:
            text += f", {amount(rise.slope_h)} ppm/h, for {span(rise.start_min)}"
        yield fact_name(f"{gas}-{form}"), holds(form == rise.form, text)
    fallen = (rise.peak - rise.now) / max(rise.peak - rise.base, LEAST_PPM[gas])
    stands = ramp(fallen, 0.3, 0.1) if rise.form in ("step", "plateau") else 0.0
    text = f"{word} has not come down for {span(rise.start_min)}"
    yield fact_name(f"{gas}-held"), Fact(ramp(rise.start_min, 4.0, 12.0) * stands, text)
    text = f"{word} has risen for {span(rise.start_min)}"
    yield fact_name(f"{gas}-slow"), Fact(ramp(rise.rise_min, 60.0, 240.0), text)
    tau = view.tau_min()
    # A rise that has only just begun may go on: only a level that has been held was quick.
    if tau is not None and rise.start_min >= HELD_TAUS * tau:
        fast = ramp(rise.rise_min, 1.1 * tau, 0.5 * tau) * ramp(fallen, 0.3, 0.1)
        text = f"{word} changed within {span(rise.rise_min)}, faster than the box can ({span(tau)})"
        yield fact_name(f"{gas}-faster-than-box"), Fact(fast, text)


def ratio_facts(view: View) -> Found:
    """Whether both gases rise, and whether their ratio is that of room air or of wet things.

    The moisture is taken as up to 0.2 ppm greater or smaller, which its sensor does not resolve.
    """
    oxygen, moisture = view.rises.get("oxygen"), view.rises.get("moisture")
    if oxygen is None or moisture is None:
        return
    up = max(oxygen.up, moisture.up)
    if up < 0.5:
        return
    apart = _apart(view, oxygen, moisture)
    text = f"H2O rose {span(oxygen.start_min - moisture.start_min)} after O2, which is gone"
    yield "water-apart", Fact(apart, text)
    do, dw = _top(oxygen), _top(moisture)
    least = do / (max(dw, 0.0) + UNSEEN_PPM)
    most = do / max(dw - UNSEEN_PPM, 0.02)
    text = f"{view.risen('oxygen', do)} for {amount(dw)} ppm H2O"
    if view.saturated("moisture"):
        text = f"{view.risen('oxygen', do)}, {view.risen('moisture', dw)}"
    air = ramp(most, 3.0, 6.0) * ramp(least, 0.8, AIR_RATIO_LOW) * (1.0 - apart)
    yield "ratio-air", Fact(air, text)
    yield "ratio-wet", Fact(ramp(do / max(dw, 0.05), WET_RATIO_HIGH, 0.3), text)
    together = min(oxygen.up, moisture.up) * (1.0 - apart)
    yield "both-up", Fact(together, "O2 and H2O rise together")


def _apart(view: View, oxygen: Rise, moisture: Rise) -> float:
    """How sure it is that the water of an alarm came by itself, after a dose of oxygen.

    Air brings both at once. Only as long as both are seen on the finest grid.
    """
    if view.about != "moisture" or oxygen.form != "impulse" or oxygen.start_min > FINEST_MIN:
        return 0.0
    gone = ramp(oxygen.delta / max(oxygen.peak - oxygen.base, LEAST_PPM["oxygen"]), 0.3, 0.1)
    return gone * ramp(oxygen.start_min - moisture.start_min, 1.0, 1.5)


def source_facts(view: View) -> Found:
    """Mass balance: the source that each level needs at this flow, beside what gloves pass.

    Only with the loop running. Also whether oxygen came in a rush of 100 ppm or more.
    """
    flow = view.flow_m3_h()
    stands = view.history.now("circulating")
    if flow is None or stands is None or stands < 0.5:
        return
    for gas, rise in view.rises.items():
        source = flow * max(0.0, rise.delta)
        text = f"{amount(rise.delta)} ppm {WORD[gas]} at this flow need {source:.0f} cm3/h"
        if view.saturated(gas):
            text = f"{view.risen(gas, rise.delta)}, at this flow more than gloves pass"
        beyond = ramp(source, GLOVES_CM3_H, 2 * GLOVES_CM3_H)
        yield fact_name(f"{gas}-beyond-gloves"), Fact(beyond, text)
    oxygen = view.rises.get("oxygen")
    if oxygen is not None:
        great = ramp(_top(oxygen), 100.0, 500.0)
        text = f"O2 reached {amount(oxygen.peak)} ppm"
        if view.saturated("oxygen"):
            text = view.risen("oxygen", _top(oxygen))
        yield "oxygen-rush", Fact(great, text)


def _top(rise: Rise) -> float:
    return max(rise.delta, rise.peak - rise.base)


FINDERS = (gas_facts, ratio_facts, source_facts)
