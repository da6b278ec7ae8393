"""``dewline leak-test BOX [--csv FILE]``: what to close, how long, and what came out."""

from __future__ import annotations

import argparse
import contextlib
import time
from collections.abc import Callable, Mapping
from functools import cache, partial
from pathlib import Path

from dewline.cli import say
from dewline.cli.terminal import (
    add_config_arguments,
    add_period_arguments,
    period_of,
    plan_of,
    print_json,
)
from dewline.config import Plan
from dewline.errors import CommandError, OutOfRange
from dewline.gas import hold
from dewline.gas.hold import Compliance, HoldResult
from dewline.gas.ingress import OxygenResult
from dewline.journal import Reader
from dewline.live.control_socket import NoDaemon, ask
from dewline.readings import Quality, iso_utc
from dewline.replay.replay import csv_scans
from dewline.reports import pressure_hold as report
from dewline.reports.pressure_hold import Findings, HoldSignals, HoldStretch, Points, TimedValue
from dewline.units import parse_quantity
from dewline.watch.ledgers.rows import LEAK_TEST
from dewline.watch_plan import BoxPlan

RISE_STANDARD_MBAR = 0.05
JUDGE_EVERY_S = 10.0
DAY_MS = 86_400_000
CLOSE = (
    "Cap open samples. Hands out, gloves hanging free or ports covered; touch nothing more.",
    "Close both doors of every antechamber; do not evacuate or refill one meanwhile.",
    "Bring the box to its test pressure by its own control, within what its maker allows, then "
    "close fill and relief control. Passive relief stays in place.",
    "Stop circulation and purge; leave analyzers, thermometer and barometer on.",
    "Wait; the first 10 min are left out while heat and gloves settle.",
)
CAUTIONS = (
    "Never evacuate a box and never pull gloves against vacuum; a few mbar on a window are "
    "hundreds of newtons. Work on pressure and vacuum belongs to qualified people, local codes "
    "first.",
    "Inert gas takes consciousness without warning: the fixed room oxygen monitor decides.",
    "A box kept below ambient to protect people is tested only by its own safety plan.",
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config, the box, where its readings come from and how sharp the result is to be.

    Quantities are number, space, unit.
    """
    add_config_arguments(parser)
    add_period_arguments(parser, "a day before that")
    parser.add_argument("box", metavar="BOX")
    parser.add_argument(
        "--csv", type=Path, metavar="FILE", help="else the record of the daemon (its journal)"
    )
    parser.add_argument(
        "--wanted", default="5e-4 /h", help="uncertainty to plan for; 5e-4 /h if not given"
    )
    parser.add_argument(
        "--ports",
        choices=("covered", "free"),
        help="what is fitted: covers, or gloves that hang free; by default `gloves` of the config",
    )
    parser.add_argument(
        "--step",
        nargs=2,
        metavar=("ADDED", "RISE"),
        help='gas pressed in and the rise it made: "1 L" "0.5 mbar"; measures how gloves give',
    )
    parser.add_argument(
        "--live", action="store_true", help="go on until the wanted uncertainty is reached"
    )


def run(args: argparse.Namespace) -> int:
    """Say how to do a leak test, judge the longest time the box was closed, write it down.

    With ``--live`` wait and judge again until the wanted uncertainty is reached or Ctrl-C.
    Exit status 0 judged, 1 the record holds no closed time that can be judged, 2 no such box.
    ``--json`` prints the findings, which a running daemon also writes into its ledger.
    """
    plan = plan_of(args)
    box = plan.watch.boxes.get(args.box)
    if box is None:
        known = ", ".join(plan.watch.boxes) or "none"
        raise OutOfRange(f"{plan.path} has no box {args.box!r}; allowed is {known}")
    compliance = _compliance(args, box)
    wanted, signals = parse_quantity(args.wanted).to("/h"), report.signals_of(plan.watch, box)
    _say_plan(box, signals, compliance, wanted)

    def judged(stretch: HoldStretch | None, points: Points) -> Findings | None:
        return None if stretch is None else report.judge(box, signals, points, stretch, compliance)

    period = period_of(args, plan)
    if args.live and not args.csv:
        found = _wait(signals, partial(_journal_points, plan, *period), judged, wanted)
    else:
        points = _csv_points(plan, args.csv) if args.csv else _journal_points(plan, *period)
        found = judged(report.longest_stretch(signals, points), points)
    if found is None:
        say(f"\nNo 10 min in which {box.name} was closed: {', '.join(signals.closed)} all 0.")
        return 1
    best = None if args.csv else report.own_best(_earlier(plan, box.name, found))
    _say_findings(found, wanted)
    _say_best(best)
    if not args.csv:
        _write_down(plan, found, best, waited=args.live)
    if args.json:
        print_json(report.document(found, best))
    return 0 if found.hold or found.oxygen else 1


def _wait(
    signals: HoldSignals,
    read_points: Callable[[], Points],
    judged: Callable[[HoldStretch | None, Points], Findings | None],
    wanted_per_h: float,
) -> Findings | None:
    """Judge again and again until the uncertainty is as small as wanted, or until Ctrl-C.

    When the box is opened meanwhile, the last findings are kept and returned at Ctrl-C.
    """
    found, said = None, ""
    with contextlib.suppress(KeyboardInterrupt):
        while True:
            points = read_points()
            stretch = report.stretch_now(signals, points)
            long_enough = stretch is not None and stretch.seconds >= report.LEAST_S
            found = (judged(stretch, points) if long_enough else None) or found
            line = _progress(stretch, report.open_now(signals, points), found, wanted_per_h)
            if line != said:
                say(line)
            said = line
            if long_enough and found and found.hold and found.hold.expanded_per_h <= wanted_per_h:
                break
            time.sleep(JUDGE_EVERY_S)
    return found


def _progress(
    stretch: HoldStretch | None,
    opened: tuple[str, ...],
    found: Findings | None,
    wanted_per_h: float,
) -> str:
    """One line that changes once a minute, or when somebody opens or closes something."""
    if stretch is None:
        why = f"open or not known: {', '.join(opened)}" if opened else "no reading of a closed box"
        return f"{why}; the hold begins when all is closed (Ctrl-C ends)"
    minutes = f"closed for {stretch.seconds // 60:.0f} min"
    if stretch.seconds < report.LEAST_S:
        return f"{minutes}; the first figure comes at {report.LEAST_S / 60:.0f} min (Ctrl-C ends)"
    if found is None or found.hold is None:
        return f"{minutes}; the hold cannot be judged: {'; '.join(found.remarks if found else ())}"
    return (
        f"{minutes}: {found.hold.per_h:+.1e} /h +- {found.hold.expanded_per_h:.1e}, "
        f"wanted +-{wanted_per_h:.1e} (Ctrl-C ends)"
    )


def _earlier(plan: Plan, box: str, found: Findings) -> list[Mapping[str, object]]:
    """Documents of the box's leak tests before this one."""
    with Reader(plan.journal.path) as reader:
        rows = reader.ledger(box, LEAK_TEST)
    return [row.document for row in rows if row.started_ms < found.from_ms]


def _write_down(plan: Plan, found: Findings, best: float | None, *, waited: bool) -> None:
    """Write the findings into the ledger, through the daemon that owns the record.

    Hours in which the loop ran as always were no leak test, unless somebody ``waited`` for it: a
    look at them writes nothing, since a row would count among the box's own tests.
    """
    if found.circulating is not False and not waited:
        why = "circulation ran" if found.circulating else "it is not known whether the loop stood"
        say(f"Not written into the ledger: {why}, so this was no leak test. --live makes one.")
        return
    request = {
        "ask": "leak-test",
        "box": found.box,
        "started_ms": found.from_ms,
        "ended_ms": found.to_ms,
        "document": report.document(found, best),
    }
    try:
        say(ask(plan.journal.socket, request)["message"])
    except NoDaemon:
        say("No daemon runs, so nothing was written into the ledger.")


def _say_best(best: float | None) -> None:
    if best is None:
        say("No earlier leak test of this box is in the ledger: this one is its first.")
    else:
        say(f"This box's own best so far: {best:.1e} /h.")


def _compliance(args: argparse.Namespace, box: BoxPlan) -> Compliance:
    """What gloves and windows give: measured by a step, else by what is said to be fitted."""
    if args.step is None:
        ports: hold.Ports | None = args.ports
        if ports is None and box.gloves is not None:
            ports = "free" if box.gloves else "covered"
        return hold.compliance_of(ports, box.gloves)
    added_l, rise_mbar = (
        parse_quantity(text).to(unit) for text, unit in zip(args.step, ("L", "mbar"), strict=True)
    )
    volume_l = report.volume_of(box)
    return hold.measured_compliance(volume_l, 1013.25, added_l, rise_mbar, RISE_STANDARD_MBAR)


def _csv_points(plan: Plan, path: Path) -> Points:
    if not path.is_file():
        raise CommandError(f"no file {path}")
    found: dict[str, list[TimedValue]] = {}
    for scan, _ in csv_scans(path, plan.watch.signals):
        for name, reading in scan.readings.items():
            point = _timed(scan.time_ms, reading.value, reading.quality)
            found.setdefault(name, []).append(point)
    for series in found.values():
        series.sort(key=lambda point: point.time_ms)
    return lambda name: found.get(name, [])


def _journal_points(plan: Plan, since_ms: int | None, until_ms: int | None) -> Points:
    """Readings of the journal by signal; every series is read once and kept.

    Without ``until_ms`` up to its end, without ``since_ms`` from a day before that on.
    """

    @cache
    def points(name: str) -> list[TimedValue]:
        with Reader(plan.journal.path) as reader:
            end_ms = (reader.tail().time_ms or 0) + 1 if until_ms is None else until_ms
            start_ms = end_ms - DAY_MS if since_ms is None else since_ms
            series = reader.series(name, start_ms, end_ms)
            return [_timed(p.time_ms, p.value, p.quality) for p in series]

    return points


def _timed(time_ms: int, value: float | None, quality: Quality) -> TimedValue:
    return TimedValue(time_ms, value if quality < Quality.OVER_RANGE else None)


def _say_plan(
    box: BoxPlan, signals: HoldSignals, compliance: Compliance, wanted_per_h: float
) -> None:
    sensors = report.sensors_of(signals)
    hours = hold.planned_s(wanted_per_h, report.volume_of(box), compliance, sensors) / 3600
    say(f"Leak test of {box.name}. dewline watches; it closes nothing. To do it:")
    for number, line in enumerate(CLOSE, 1):
        say(f"  {number}. {line}")
    say(f"Hold {max(hours, 0.5):.1f} h for +-{wanted_per_h:g} /h. {_give(compliance)}")
    for line in CAUTIONS:
        say(f"  ! {line}")


def _give(compliance: Compliance) -> str:
    """What is known of the give of gloves and windows before the hold, and how to know more."""
    if isinstance(compliance, hold.KnownCompliance):
        figure = f"{compliance.l_per_mbar:.2g} +- {compliance.standard:.2g} L/mbar"
        return f"The give of gloves and windows is known from your step: {figure}."
    between = f"{max(0.0, compliance.low):.2g}-{compliance.high:.2g} L/mbar"
    if compliance is hold.UNKNOWN_COMPLIANCE:
        return (
            f"Nobody has said what is fitted, so gloves and windows may give {between}: say "
            "--ports covered or --ports free, or `gloves:` in the config."
        )
    covered = compliance is hold.COVERED
    what = "The ports are covered: windows" if covered else "Gloves hang free: they and windows"
    return f"{what} may give {between}; --ports says otherwise."


def _say_findings(found: Findings, wanted_per_h: float) -> None:
    say(f"\nClosed from {iso_utc(found.from_ms)} to {iso_utc(found.to_ms)}.")
    if found.hold:
        _say_hold(found.hold, wanted_per_h)
    if found.oxygen:
        _say_oxygen(found.oxygen, above_ambient=found.above_ambient)
    for remark in found.remarks:
        say(f"  - {remark}")
    say("Compare with this box's own earlier tests first. Indicative, no certificate.")


def _say_hold(h: HoldResult, wanted_per_h: float) -> None:
    say(
        f"Pressure hold, {h.duration_s / 3600:.2f} h at {h.mean_gauge_mbar:+.2f} mbar: "
        f"{h.per_h:+.2e} /h +- {h.expanded_per_h:.1e} (k = {h.coverage_factor:.2f}, "
        f"about 95 %), {h.rate_l_h:+.3g} L/h; loss is negative"
    )
    say(
        f"  raw gauge {h.raw_l_h / h.volume_l:+.2e} /h, compensated but rigid "
        f"{h.rigid_l_h / h.volume_l:+.2e} /h; most of the interval: "
        f"{max(h.budget_l_h, key=lambda part: h.budget_l_h[part])}"
    )
    if not isinstance(h.compliance, hold.KnownCompliance):
        low, high = max(0.0, h.compliance.low), h.compliance.high
        say(f"  gloves and windows give {low:.2g}-{high:.2g} L/mbar, as far as this hold shows it")
    detects = h.detects_per_h
    if detects is None:
        say("  such a hold knows no leak within a factor of four; measure the give by --step")
    else:
        say(f"  a leak from {detects:.1e} /h on would be known within a factor of four")
    say(f"  {_verdict(h.resolved, h.class_number)}")
    if h.expanded_per_h <= wanted_per_h:
        return
    needed_s = h.needed_s(wanted_per_h)
    if needed_s is None:
        say("  no length of hold gives the wanted uncertainty; measure the give by --step")
    else:
        say(f"  for +-{wanted_per_h:g} /h hold {needed_s / 3600:.1f} h")


def _say_oxygen(o: OxygenResult, *, above_ambient: bool) -> None:
    """The oxygen method; above ambient it is blind to holes, so that no class is said."""
    say(
        f"Oxygen method, {o.duration_s / 3600:.2f} h: {o.per_h:+.2e} /h +- "
        f"{o.expanded_per_h:.1e} (k = 2), {o.air_l_h:+.3g} L/h of air coming in"
    )
    if above_ambient:
        say("  no class: above ambient a hole lets gas out and no air in, and oxygen cannot see it")
    else:
        say(f"  {_verdict(o.resolved, o.class_number)}")


def _verdict(resolved: bool, number: int | None) -> str:
    if not resolved:
        return "not resolved: the ends of its interval lie further apart than a factor of four"
    if number is None:
        return "outside every class limit of ISO 10648-2 (from memory)"
    return f"within the class-{number} limit of ISO 10648-2 (from memory), the whole interval"
