"""Facts besides the trace gases: pressure, fill, supply, purges, room, people, other boxes."""

from __future__ import annotations

from itertools import pairwise
from statistics import fmean, median

from dewline.readings import Quality
from dewline.watch.causes.facts import Fact, Found, Neighbour, View, amount, holds, ramp, span
from dewline.watch.causes.names import FactName, fact_name
from dewline.watch.ledgers.rows import number
from dewline.watch.sensors.doubt import Doubt
from dewline.watch.signals.slope import theil_sen

DAY_MIN = 1440.0
LOOK_BACK_MIN = 239.0
RATE_MIN, RATE_POINTS, RATE_CONFIDENCE = 14.0, 5, 0.9  # of a supply that falls
SOUND_LOSS_L_H = 0.2  # of a sound box in a quiet night: common practice, no source
MOVES_VALVES_MBAR = 4000.0  # gauge; pneumatic valves shut below it: common practice, no source
ONSET_SLACK_MIN = 3.0
RESUMED_MS = 1_800_000  # so long after a gap it counts as recent
# For so many days a note counts, by the kind of the note. Common practice, no source.
NOTES: dict[str, tuple[FactName, float]] = {
    "gloves": ("note-gloves", 5.0),
    "cylinder": ("note-cylinder", 0.5),
    "solvent": ("note-solvent", 14.0),
}


def pressure_facts(view: View) -> Found:
    """Level of the box pressure, and how much gas is filled in.

    In a box kept above the room's pressure also whether it was lost, falls below the room's, or
    has its band set below it.
    """
    history = view.history
    values = history.values("pressure", 14.0)
    if len(values) < 3:
        return
    now, recent = values[-1], values[-30:]
    mean = fmean(recent)
    if view.box.regime == "positive":
        text = f"pressure {now:+.1f} mbar, {mean:+.1f} on average"
        yield "pressure-below", Fact(ramp(mean, -0.2, -0.7), text)
        usual = sorted(history.values("pressure", 4320.0, 10.0))
        before = history.typical("pressure", 240.0, 3.0) or 0.0
        if len(usual) >= 3:  # the upper quarter, because it may have been lost for long
            before = max(before, usual[len(usual) * 3 // 4])
        lost = before > 1.0 and fmean(values[-6:]) < 0.7
        text = f"pressure fell from {before:+.1f} to {min(values[-6:]):+.1f} mbar"
        yield "pressure-lost", holds(lost, text)
        band = history.now("pressure_low")
        if band is not None:
            text = f"the band is set to begin at {band:+.1f} mbar"
            yield "band-below", holds(band < 0.0, text)
        dips = sum(1 for a, b in pairwise(values) if a >= 0 > b)
        below = sum(1 for v in history.values("pressure", 60.0) if v < 0)
        yield "pressure-dips", Fact(ramp(dips + below, 0.0, 3.0), f"{dips} dips below the room")
    yield "pressure-high", Fact(ramp(now, 5.0, 8.0), f"pressure {now:+.1f} mbar")
    yield from _fill(view)


def _fill(view: View) -> Found:
    history = view.history
    duty, own = history.share_on("fill_valve", 14.0), history.share_on("fill_valve", 4320.0)
    if duty is None:
        return
    last = history.share_on("fill_valve", 1.5)
    bar = history.now("supply.pressure")
    if last is not None:
        if bar is None or bar > MOVES_VALVES_MBAR:  # without gas the fill cannot open
            shut = ramp(last, 0.3, 0.05)
            yield "fill-idle", Fact(shut, f"fill open {last:.0%} of the last minute")
        yield "fill-full", Fact(ramp(last, 0.6, 0.95), f"fill open {last:.0%} of the last minute")
    yield from _emptied(view)
    hours = history.share_on("fill_valve", 120.0)
    if own is not None and hours is not None:
        least = max(own, 0.005)
        text = f"fill open {hours:.1%} of two hours"
        yield "fill-more", Fact(ramp(hours, 0.02, 0.05) * ramp(hours / least, 0.5, 1.2), text)


def _emptied(view: View) -> Found:
    """Whether the fill stood open while there was gas: then the box has emptied its supply."""
    history = view.history
    bars = dict(history.series("supply.pressure", LOOK_BACK_MIN))
    hours = history.series("fill_valve", 4320.0)
    longest = max((10 for _, share in hours if share > 0.9), default=0)
    run = 0
    for t, share in history.series("fill_valve", LOOK_BACK_MIN):
        fed = bars.get(t, 0.0) > MOVES_VALVES_MBAR
        run = run + 1 if share > 0.9 and fed else 0
        longest = max(longest, run)
    text = f"fill stood open for {longest} min while there was gas"
    yield "fill-stood-open", Fact(ramp(longest, 3.0, 10.0), text)


def supply_facts(view: View) -> Found:
    """Pressure of the gas supply, mbar gauge, beside its usual one and what moves valves.

    Also how long it lasts at the present rate.
    """
    history = view.history
    bar, own = history.now("supply.pressure"), history.typical("supply.pressure", 4320.0, 120.0)
    if bar is not None and own is not None:
        text = f"supply {bar / 1000:.1f} bar, usually {own / 1000:.1f}"
        if own > 0.0:  # a gauge that has shown zero for days gives no usual pressure
            yield "supply-low", Fact(ramp(bar / own, 0.92, 0.8), text)
        below = ramp(bar, MOVES_VALVES_MBAR + 150.0, MOVES_VALVES_MBAR - 50.0)
        yield "supply-below-valves", Fact(below, text)
    yield from _runs_out(view)


def _runs_out(view: View) -> Found:
    """How long the gas lasts, at its rate since the fill was last shut or of the last minutes."""
    shut = (t for t, v in view.history.series("fill_valve", RATE_MIN) if v < 0.5)
    since = max(shut, default=-RATE_MIN)
    for role, empty in (("supply.level", 0.0), ("supply.pressure", MOVES_VALVES_MBAR)):
        points = [p for p in view.history.series(role, RATE_MIN) if p[0] > since]
        if len(points) < RATE_POINTS:
            continue
        fit = theil_sen([t for t, _ in points], [v for _, v in points], RATE_CONFIDENCE)
        left = points[-1][1] - empty
        if fit.high >= 0.0 or left <= 0.0:
            continue
        middle, soonest, latest = (-left / rate for rate in (fit.slope, fit.low, fit.high))
        text = f"gas for {span(middle)} more at this rate ({span(soonest)} to {span(latest)})"
        yield "supply-runs-out", Fact(ramp(middle, 720.0, 120.0), text)
        return


def night_facts(view: View) -> Found:
    """Gas lost in the last quiet night, beside the quiet nights before it."""
    lost = view.night_loss_l_h
    if lost is None:
        return
    days = (number(r.document, "idle_night_l_h") for r in view.rows if r.kind == "gas-use")
    before = [loss for loss in days if loss is not None]
    usual = f", {amount(median(before))} in the nights before" if before else ""
    text = f"{amount(lost)} L/h of gas lost in the quiet night{usual}"
    yield "night-loss", Fact(ramp(lost, SOUND_LOSS_L_H, 4 * SOUND_LOSS_L_H), text)


def comb_facts(view: View) -> Found:
    """Whether oxygen comes in with the fills and only with them.

    Changes of oxygen over three samples are averaged, apart for those with a fill in them.
    """
    history = view.history
    fills = history.series("fill_valve", 14.0)
    oxygen = dict(history.series("oxygen", 14.0))
    if len(fills) < 30:
        return
    with_fill: list[float] = []
    without: list[float] = []
    times = sorted(oxygen)
    for a, b in zip(times, times[3:], strict=False):
        filled = any(v > 0.5 for t, v in fills if a - 0.5 <= t <= b - 0.1)
        (with_fill if filled else without).append(oxygen[b] - oxygen[a])
    if len(with_fill) >= 3 and len(without) >= 6:
        gain, loss = fmean(with_fill), fmean(without)
        text = f"O2 moves {gain:+.2f} ppm while filling, {loss:+.2f} between"
        yield "comb-on-fills", Fact(ramp(gain - loss, 0.05, 0.4) * ramp(gain, 0.02, 0.2), text)


def purge_facts(view: View) -> Found:
    """Whether a purge is on, and whether the leading rise came with one.

    Also whether it went beyond what the purge explains, which is what its gas usually holds.
    """
    if (view.history.now("purging") or 0.0) > 0.5:
        yield "purging", Fact(1.0, "a purge is on")
    lead = view.lead
    purge = None if lead is None else view.purges.get(lead.gas)
    if lead is None or purge is None or lead.form == "none":
        return
    coarse = lead.start_min > LOOK_BACK_MIN
    slack_min = ONSET_SLACK_MIN + (10.0 if coarse else 0.0)
    inside = purge.brought(view.at_ms - round(lead.start_min * 60_000), round(slack_min * 60_000))
    yield "rise-in-purge", holds(inside, f"it came up in a purge, {span(lead.start_min)} ago")
    if inside:
        text = (
            f"it rose from {amount(lead.base)} to {amount(lead.peak)} ppm in a purge, "
            f"{purge.beyond:.1f} times what a purge explains"
        )
        yield "beyond-purge", Fact(ramp(purge.beyond, 0.9, 1.0), text)


def room_facts(view: View) -> Found:
    """Temperature of the box, humidity of the room, hands in the gloves, the freezer.

    Each figure beside its median of the last day.
    """
    history = view.history
    warm, own = history.now("temperature"), history.typical("temperature", DAY_MIN, 120.0)
    if warm is not None and own is not None:
        text = f"box at {warm:.1f} degC, {warm - own:+.1f} K from its usual"
        yield "box-warmer", Fact(ramp(warm - own, 1.5, 4.0), text)
        yield "box-cooler", Fact(ramp(warm - own, -0.8, -2.0), text)
    room, usual = history.now("room_humidity"), history.typical("room_humidity", DAY_MIN, 240.0)
    if room is not None and usual is not None:
        yield "room-damper", Fact(ramp(room - usual, 5.0, 12.0), f"room at {room:.0f} % humidity")
    if "working" in view.modes.since:
        minutes = (view.at_ms - view.modes.since["working"]) / 60_000
        yield "hands", Fact(1.0, f"hands in the gloves for {span(minutes)}")
    else:
        yield "hands", Fact(0.0, "no hands in the gloves")
    yield from _freezer(view)


def _freezer(view: View) -> Found:
    history = view.history
    cold, own = (
        history.now("freezer_temperature"),
        history.typical("freezer_temperature", DAY_MIN, 120.0),
    )
    if cold is not None and own is not None:
        text = f"freezer at {cold:.0f} degC, usually {own:.0f}"
        yield "freezer-warmer", Fact(ramp(cold - own, 3.0, 8.0), text)


def note_facts(view: View) -> Found:
    """Notes of people, modes of the box, doubts of its sensors, and what does not answer.

    A note counts for some days by its kind, a mode as long as it holds.
    """
    for kind, (name, days) in NOTES.items():
        times = [note.at_ms for note in view.notes if note.kind == kind]
        if times:
            age = (view.at_ms - times[-1]) / 86_400_000
            if age < days:
                yield name, Fact(1.0, f"noted {span(age * DAY_MIN)} ago: {kind}")
    for mode in ("recovering", "outgassing", "solvent-work"):
        if mode in view.modes.since:
            yield fact_name(f"mode-{mode}"), Fact(1.0, f"the box is in mode {mode}")
    yield from _doubt_facts(view)
    frozen = [
        t.signal.name for t in view.history.tracks.values() if t.signal.quality == Quality.FROZEN
    ]
    if frozen:
        text = f"{len(frozen)} signals of one instrument have repeated bit for bit for 5 min"
        yield "sensor-frozen", Fact(1.0, text)
    if view.silent:
        yield "silent-many", Fact(ramp(len(view.silent), 1.0, 2.0), f"{len(view.silent)} silent")
    if view.resumed_ms is not None and view.at_ms - view.resumed_ms < RESUMED_MS:
        yield "resumed", Fact(1.0, "the watch has just come back")


def _doubt_facts(view: View) -> Found:
    for gas, doubt in view.doubts.items():
        yield fact_name(f"{gas}-doubted"), Fact(1.0, doubt.sentence)
        yield "dose-missed", holds(doubt is Doubt.DOSE_MISSED, doubt.sentence)
        if doubt is Doubt.SLIPPED and view.about in (None, gas):
            yield "jump-ten", Fact(1.0, doubt.sentence)


def common_facts(view: View) -> Found:
    """Other boxes: a rise at the same time in several points to something that they share.

    Of boxes on the same purifier the one with the highest level has the source.
    """
    lead = view.lead
    if lead is None or not view.neighbours:
        return
    alike = [n for n in view.neighbours if _alike(view, n)]
    text = f"{len(alike)} of {len(view.neighbours)} other boxes do the same"
    yield "others-same", Fact(ramp(len(alike) / len(view.neighbours), 0.2, 0.6), text)
    yield "others-quiet", holds(not alike, text)
    for other in view.neighbours:
        theirs = other.rises.get(lead.gas)
        if other.same_purifier and theirs is not None and theirs.up > 0.5:
            higher = theirs.delta > 1.1 * lead.delta
            text = f"{other.name} on the same purifier stands higher, {amount(theirs.now)} ppm"
            yield "linked-higher", holds(higher, text)


def _alike(view: View, other: Neighbour) -> bool:
    lead = view.lead
    theirs = other.rises.get(lead.gas) if lead is not None else None
    if theirs is None or lead is None or theirs.up < 0.5:
        return False
    return abs(theirs.start_min - lead.start_min) <= max(30.0, 0.3 * lead.start_min)


FINDERS = (
    pressure_facts, supply_facts, comb_facts, purge_facts, room_facts,
    note_facts, night_facts, common_facts,
)  # fmt: skip
