"""Facts of antechambers: doors, transfers, evacuations, and doses that no door explains."""

from __future__ import annotations

from math import log

from dewline.events import LedgerRow
from dewline.gas.constants import DRY_AIR_OXYGEN_PPM, ZERO_C_K
from dewline.watch.causes.facts import Fact, Found, View, amount, holds, ramp, span
from dewline.watch.ledgers.rows import OpenRow, number

LOOK_BACK_MIN = 239.0
DOSE_SLACK_MIN = 5.0
USUAL_C = 23.0


def chamber_facts(view: View) -> Found:
    """Inner doors and transfers around the onset of the rise, and chambers under vacuum.

    A door counts if it was opened from 35 min before the onset until 6 min after it.
    """
    doors = [r for r in view.history.tracks if r.endswith("_inner_door")]
    onset = view.onset_min
    opened = [
        -t
        for role in doors
        for t, v in view.history.series(role, min(239.0, onset + 40.0))
        if v > 0.05 and -t <= onset + 35.0
    ]
    if doors:
        last = max(opened) if opened else 0.0
        text = f"inner door opened {span(last)} ago" if opened else "no inner door was opened"
        yield "door-before", holds(bool(opened) and onset - 6 <= last, text)
        yield "no-door", holds(not opened, text)
    yield from _dirty(view)
    yield from _evacuation(view)


def is_dose(row: LedgerRow) -> bool:
    """Whether a row is about oxygen that came in at once, was cleaned away, and had no door."""
    return row.kind == "transfer" and row.document.get("direction") == "unseen"


def unseen_dose_facts(view: View) -> Found:
    """Whether what rose was a dose that is over, and whether a chamber full of air holds as much.

    Only of chambers whose inner door has no signal: what comes through the others is seen.
    """
    lead = view.lead
    doses = [row for row in view.rows if is_dose(row)]
    if lead is None or lead.form == "none" or not doses:
        return
    seen = number(doses[-1].document, "seen_cm3")
    age_min = (view.wall_ms - doses[-1].started_ms) / 60_000
    slack_min = DOSE_SLACK_MIN + (10.0 if lead.start_min > LOOK_BACK_MIN else 0.0)
    if seen is None or abs(age_min - lead.start_min) > slack_min:
        return
    text = f"{seen:.0f} cm3 of O2 came in at once {span(age_min)} ago and were cleaned away"
    yield "dose-over", Fact(1.0, text)
    warm = view.history.now("temperature")
    per_m3 = DRY_AIR_OXYGEN_PPM * ZERO_C_K / (ZERO_C_K + (USUAL_C if warm is None else warm))
    hidden = [
        (abs(log(seen / (per_m3 * a.volume_m3))), a)
        for a in view.box.antechambers
        if seen > 0.0 and not view.history.has(f"{a.name}_inner_door")
    ]
    if hidden:
        strays, chamber = min(hidden, key=lambda pair: pair[0])
        text = f"{seen:.0f} cm3 of O2 equal one {chamber.name} chamber of air"
        text += f", {per_m3 * chamber.volume_m3:.0f} cm3"
        yield "dose-of-chamber", Fact(ramp(strays, 0.4, 0.2), text)


def _dirty(view: View) -> Found:
    """Residual oxygen of the last transfer's chamber, and its pressure rise."""
    found: list[LedgerRow | OpenRow] = [*view.rows[-3:], *view.open_rows]
    rows = [row.document for row in found if row.kind == "transfer"]
    if not rows:
        return
    residual, rise = number(rows[-1], "residual_ppm"), number(rows[-1], "rise_mbar_min")
    if rows[-1].get("direction") == "out" or residual is None:
        return
    text = f"chamber still held {amount(residual)} ppm O2 after {rows[-1].get('cycles', 0)} cycles"
    if rise is not None:
        text = f"pressure in the chamber rose {rise:.2f} mbar/min with the pump shut off"
        yield "chamber-rises", Fact(ramp(rise, 0.3, 1.0), text)
    yield "chamber-dirty", Fact(ramp(residual, 60.0, 200.0), text)
    yield "chamber-clean", Fact(ramp(residual, 200.0, 60.0), text)


def _evacuation(view: View) -> Found:
    """A chamber under vacuum: whether it gets deep enough, and whether the box fills for it."""
    history = view.history
    for role in history.tracks:
        name = role.removesuffix("_evacuating")
        if name == role:
            continue
        on = history.share_on(role, 3.0)
        pressure = history.now(f"{name}_pressure")
        if on is None or on < 0.9 or pressure is None:
            continue
        minutes = _steady(view, role)
        text = f"{name} chamber stands at {pressure:.1f} mbar after {span(minutes)} of pumping"
        poor = ramp(pressure, 3.0, 8.0) * ramp(minutes, 4.0, 8.0)
        yield "chamber-base-poor", Fact(poor, text)
        duty = history.share_on("fill_valve", min(14.0, minutes))
        if duty is not None:
            text = f"fill open {duty:.0%} of the time while the {name} chamber is pumped"
            yield "box-pays-for-vacuum", Fact(ramp(duty, 0.05, 0.2) * ramp(minutes, 3.0, 6.0), text)


def _steady(view: View, role: str) -> float:
    """Minutes since a switch was last off, of the last four hours."""
    for t, v in reversed(view.history.series(role, 239.0)):
        if v < 0.5:
            return -t
    return 239.0


FINDERS = (chamber_facts, unseen_dose_facts)
