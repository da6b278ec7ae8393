"""``dewline calc``: the trade's sums, each with its formula and source."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from dewline.config.wire import wire_time_ms
from dewline.gas import antechamber, bed, cleanup, dilution, humidity, leak
from dewline.gas.constants import between
from dewline.units import parse_quantity

HELP = "the trade's sums, with formula and source"
SHOWN_CYCLES = 20
ROOM_CAUTION = (
    "Inert gas takes consciousness without warning: fixed room oxygen monitor, ventilation, "
    "and your site's own rules first."
)
VACUUM_CAUTION = (
    "Never evacuate a box or pull gloves against vacuum; an antechamber only within what its "
    "maker allows. Work on vacuum and pressure belongs to qualified people, under local codes."
)

HYDROGEN_CAUTION = (
    "5 % hydrogen in nitrogen is only just non-flammable, in argon it is flammable: vent outside, "
    "trained people, local codes."
)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a sum says: ``document`` for machines, the rest for a person."""

    document: dict[str, Any]
    words: str
    formula: str
    source: str
    remarks: list[str] = field(default_factory=list)


def arguments(parser: argparse.ArgumentParser) -> None:
    """One sub-command a sum; quantities are number, space, unit."""
    sums = parser.add_subparsers(dest="sum", metavar="SUM", required=True)
    for name, (summary, build, answer) in SUMS.items():
        sub = sums.add_parser(name, help=summary, description=summary)
        build(sub)
        sub.add_argument("--json", action="store_true", help="one JSON object on stdout")
        sub.set_defaults(answer=answer)


def run(args: argparse.Namespace) -> int:
    """Work the sum out; words go to stderr, ``--json`` to stdout."""
    answer: Answer = args.answer(args)
    if args.json:
        print(json.dumps(answer.document, allow_nan=False))
        return 0
    lines = [answer.words, f"formula: {answer.formula}", f"source: {answer.source}"]
    print("\n".join([*lines, *answer.remarks]), file=sys.stderr)
    return 0


def _in(unit: str, text: str) -> float:
    return parse_quantity(text).to(unit)


def _span(seconds: float) -> str:
    """Seconds as a person says them."""
    for unit, size in (("d", 86_400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def _pressure(parser: argparse.ArgumentParser, default: str) -> None:
    parser.add_argument("--pressure", default=default, help=f"absolute; {default} if not given")


# frost-point and ppm


def _frost_point_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("fraction", help='water by volume: "1 ppm"')
    _pressure(parser, "1013.25 mbar")


def _frost_point(args: argparse.Namespace) -> Answer:
    ppm, pressure_pa = _in("ppm", args.fraction), _in("Pa", args.pressure)
    frost_c = humidity.frost_point_c(ppm, pressure_pa)
    vapour_pa = humidity.vapour_pressure_pa(ppm, pressure_pa)
    over_water = ""
    if frost_c > humidity.DEW_LOW_C + 5:
        dew_c = humidity.dew_point_c(ppm, pressure_pa)
        over_water = f"; an instrument set to dew point over water would say {dew_c:.2f} degC"
    return Answer(
        {"frost_point_c": frost_c, "vapour_pressure_pa": vapour_pa},
        f"{ppm:g} ppm at {pressure_pa / 100:g} mbar: frost point {frost_c:.2f} degC over ice, "
        f"vapour pressure {vapour_pa:.4g} Pa{over_water}",
        "e = x p; e = e_ice(T) solved for T; ideal mixture (error below 0.08 K)",
        "IAPWS R14-08(2011), sublimation pressure of ice Ih",
    )


def _ppm_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("point", help='frost point, above 0 degC dew point: "-76 degC"')
    _pressure(parser, "1013.25 mbar")


def _ppm(args: argparse.Namespace) -> Answer:
    point_c, pressure_pa = _in("degC", args.point), _in("Pa", args.pressure)
    vapour_pa = humidity.stable_pressure_pa(point_c)
    ppm = humidity.ppm_of_vapour(vapour_pa, pressure_pa)
    name, source = "frost point", "IAPWS R14-08(2011), sublimation pressure of ice Ih"
    if point_c > humidity.TRIPLE_K - 273.15:
        name, source = "dew point", "IAPWS R7-97(2012) eq. 30, saturation of liquid water"
    return Answer(
        {"ppm": ppm, "vapour_pressure_pa": vapour_pa},
        f"{name} {point_c:g} degC at {pressure_pa / 100:g} mbar: {ppm:.4g} ppm, "
        f"vapour pressure {vapour_pa:.4g} Pa",
        "x = e(T) / p; ideal mixture",
        source,
    )


# purge and cycles


def _purge_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--from", dest="start", required=True, help='"20.9 %%"')
    parser.add_argument("--to", dest="target", required=True, help='"10 ppm"')
    parser.add_argument("--inlet", default="0 ppm", help="what the purge gas itself holds")
    parser.add_argument("--volume", required=True, help='"1.1 m3"')
    parser.add_argument("--flow", required=True, help='at box pressure: "300 L/min"')
    parser.add_argument("--mixing", type=float, default=1.0, help="0-1; 0.3-0.7 is usual")


def _purge(args: argparse.Namespace) -> Answer:
    start, target, inlet = (_in("ppm", q) for q in (args.start, args.target, args.inlet))
    volume_m3, flow_m3_h = _in("m3", args.volume), _in("m3/h", args.flow)
    volumes = dilution.volumes_needed(start, target, inlet, args.mixing)
    dilution.purge_s(0.0, volume_m3, flow_m3_h)  # a volume or flow of nothing is refused anyway
    seconds, words = None, f"never: the gas itself brings {inlet:g} ppm, target {target:g} ppm"
    if volumes is not None:
        seconds = dilution.purge_s(volumes, volume_m3, flow_m3_h)
        words = (
            f"{volumes:.4g} box volumes, {volumes * volume_m3:.3g} m3 of gas, {_span(seconds)}; "
            f"if nothing mixed it would be {dilution.PLUG_VOLUMES:g} volume"
        )
    return Answer(
        {"volumes": volumes, "seconds": seconds},
        words,
        "N = ln[(C0 - Cin)/(C1 - Cin)] / K; t = N V / Q",
        "derived for a mixed box; the mixing factor K is common practice, no source",
        [ROOM_CAUTION],
    )


def _cycles_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--from", dest="start", required=True, help='"20.9 %%"')
    parser.add_argument("--to", dest="target", required=True, help='"10 ppm"')
    parser.add_argument("--low", required=True, help='evacuated to, absolute: "10 mbar"')
    parser.add_argument("--high", required=True, help='refilled to, absolute: "1013 mbar"')
    parser.add_argument("--refill", default="0 ppm", help="what the refill gas itself holds")
    parser.add_argument(
        "--barometer", help="station pressure; low and high are then gauge readings against it"
    )


def _cycles(args: argparse.Namespace) -> Answer:
    start, target, refill = (_in("ppm", q) for q in (args.start, args.target, args.refill))
    low_pa, high_pa = _in("Pa", args.low), _in("Pa", args.high)
    if args.barometer is not None:
        barometer_pa = _in("Pa", args.barometer)
        low_pa, high_pa = (antechamber.absolute_pa(p, barometer_pa) for p in (low_pa, high_pa))
    cycle = antechamber.Cycle(low_pa, high_pa, refill)
    cycles = antechamber.cycles_needed(start, target, cycle)
    shown = SHOWN_CYCLES if cycles is None else min(cycles, SHOWN_CYCLES)
    left = [antechamber.residual_ppm(start, cycle, n) for n in range(1, shown + 1)]
    words = f"never: the refill gas itself brings {refill:g} ppm, target {target:g} ppm"
    if cycles is not None:
        words = f"{cycles} cycles; left after each, ppm: {', '.join(f'{c:.4g}' for c in left)}"
    return Answer(
        {"cycles": cycles, "remaining_ppm": left},
        words,
        f"Cn = Cr + (C0 - Cr) r^n, r = p_low/p_high = {cycle.share:.4g}",
        "derived, ideal gas; for gases only, moisture needs time under vacuum",
        [VACUUM_CAUTION],
    )


# leak


def _leak_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--volume", required=True, help='"1.2 m3"')
    for end in ("start", "end"):
        parser.add_argument(
            f"--{end}",
            nargs=3,
            required=True,
            metavar=("GAUGE", "GAS_TEMPERATURE", "BAROMETER"),
            help='"5.00 mbar" "22.00 degC" "1013.2 mbar"',
        )
    parser.add_argument("--hours", type=float, required=True)
    parser.add_argument(
        "--resolution",
        default="0.05 mbar",
        help="what gauge, thermometer and barometer together can tell; 0.05 mbar if not given",
    )
    parser.add_argument(
        "--step",
        nargs=2,
        metavar=("ADDED", "RISE"),
        help='gas pressed in and the rise it made, for gloves that give: "1 L" "0.6 mbar"',
    )


def _point(texts: list[str]) -> leak.HoldPoint:
    gauge, gas, barometer = texts
    return leak.HoldPoint(_in("Pa", gauge), _in("K", gas), _in("Pa", barometer))


def _leak(args: argparse.Namespace) -> Answer:
    volume_m3, start, end = _in("m3", args.volume), _point(args.start), _point(args.end)
    compliance = 0.0
    remarks = ["taken as rigid: with gloves on the true rate is 1.5 to 3 times this; give --step"]
    if args.step:
        added_m3, rise_pa = _in("m3", args.step[0]), _in("Pa", args.step[1])
        compliance = leak.compliance_from_step(volume_m3, start.absolute_pa, added_m3, rise_pa)
        remarks = [f"gloves and windows give {compliance * 1e5:.3g} L/mbar by that step"]
    rate = leak.pressure_hold(volume_m3, start, end, args.hours * 3600, compliance)
    number = leak.iso_10648_2_class(rate.hourly_rate_per_h)
    verdict = f"within the class-{number} limit" if number else "outside every class limit"
    if not rate.resolved(_in("Pa", args.resolution)):
        number, verdict = None, f"not resolved: the change is within {args.resolution}"
    flow = leak.mbar_l_per_s(rate.flow_pa_m3_s)
    percent = rate.hourly_rate_per_h * 100
    return Answer(
        {
            "mbar_l_per_s": flow,
            "hourly_rate": rate.hourly_rate_per_h,
            "percent_per_hour": percent,
            "class": number,
        },
        f"{flow:.4g} mbar L/s, {percent:.4g} %/h of the gas (loss negative): {verdict}; gauge "
        f"alone {rate.raw_change_pa / 100:+.3g} mbar, compensated {rate.change_pa / 100:+.3g} mbar",
        "(p2 V2 T1 / (p1 V1 T2) - 1) / t with p = barometer + gauge; Q = V dp/dt",
        "derived; limits of ISO 10648-2:1994 from memory. Indicative, no certificate",
        [*remarks, VACUUM_CAUTION],
    )


# clean-up, bed, Modbus


def _cleanup_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--volume", required=True, help='"1.2 m3"')
    parser.add_argument("--flow", required=True, help='through the bed: "60 m3/h"')
    parser.add_argument("--efficiency", type=float, required=True, help="of the bed, 0-1")
    parser.add_argument("--leak-rate", default="0 /h", help='air per box volume: "1e-4 /h"')
    parser.add_argument("--source", default="0 cm3/h", help='permeation and load: "1.76 cm3/h"')
    parser.add_argument("--outlet", default="0 ppm", help="what leaves the bed")
    parser.add_argument("--from", dest="start", required=True, help='"100 ppm"')
    parser.add_argument("--to", dest="target", required=True, help='"1 ppm"')


def _cleanup(args: argparse.Namespace) -> Answer:
    box = cleanup.balance(
        volume_m3=_in("m3", args.volume),
        flow_m3_h=_in("m3/h", args.flow),
        efficiency=args.efficiency,
        leak_per_h=_in("/h", args.leak_rate),
        source_cm3_h=_in("cm3/h", args.source),
        outlet_ppm=_in("ppm", args.outlet),
    )
    seconds = box.time_to_s(_in("ppm", args.start), _in("ppm", args.target))
    when = "never reached" if seconds is None else f"reached after {_span(seconds)}"
    return Answer(
        {
            "seconds": seconds,
            "steady_ppm": box.steady_ppm,
            "time_constant_s": box.time_constant_s,
        },
        f"{args.target} is {when}; settles at {box.steady_ppm:.4g} ppm with a time constant of "
        f"{_span(box.time_constant_s)}",
        "V dC/dt = L (C_air - C) + G - eta Q (C - C_out); t = tau ln[(C0 - Css)/(C1 - Css)]",
        "derived, well mixed, air of 20.946 % oxygen",
        ["for oxygen; dead corners double the time, and walls give water off for hours to days"],
    )


def _bed_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--gas", required=True, choices=("oxygen", "moisture", "water"))
    parser.add_argument("--ppm", type=float, required=True, help="into the bed")
    parser.add_argument("--outlet", default="0 ppm", help="what leaves the bed")
    parser.add_argument("--flow", required=True, help='at its own pressure: "60 m3/h"')
    parser.add_argument("--hours", type=float, required=True)
    parser.add_argument("--temperature", default="22 degC")
    _pressure(parser, "1016.25 mbar")


def _bed(args: argparse.Namespace) -> Answer:
    gas: bed.Held = "oxygen" if args.gas == "oxygen" else "water"
    amount_mol = bed.uptake_mol(
        flow_m3_h=_in("m3/h", args.flow),
        gas_k=_in("K", args.temperature),
        pressure_pa=_in("Pa", args.pressure),
        inlet_ppm=args.ppm,
        duration_s=args.hours * 3600,
        outlet_ppm=_in("ppm", args.outlet),
    )
    litres, grams = bed.litres(amount_mol), bed.grams(amount_mol, gas)
    remarks = ["with the box's own ppm and no outlet reading this is an upper bound"]
    if gas == "oxygen":
        needs = bed.regeneration(max(0.0, grams))
        remarks.append(
            f"to reduce it: {needs.forming_gas_l:.4g} L of 5 % hydrogen at full use, two to three "
            f"times that in practice, and {needs.water_g:.3g} g of water to drive out"
        )
        remarks.append(HYDROGEN_CAUTION)
    return Answer(
        {"litres": litres, "grams": grams},
        f"{litres:.4g} L (0 degC, 1013.25 mbar), {grams:.4g} g of {gas}",
        "n = p Q t (C_in - C_out) / (R T)",
        "derived, ideal gas (2e-4 from real nitrogen); CuO + H2 -> Cu + H2O",
        remarks,
    )


def _modbus_time_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--baud", type=int, required=True)
    parser.add_argument("--registers", type=int, required=True, help="read in one request")


def _modbus_time(args: argparse.Namespace) -> Answer:
    between("baud", args.baud, 110, 4_000_000, "Bd")
    between("registers", args.registers, 1, 125, "")
    milliseconds = wire_time_ms(args.baud, args.registers)
    return Answer(
        {"milliseconds": milliseconds},
        f"{milliseconds:.4f} ms at the least for {args.registers} registers at {args.baud} Bd",
        "(8 + 5 + 2 N) 11 bit / baud + 2 t3.5, t3.5 fixed at 1.75 ms above 19200 Bd",
        "MODBUS over serial line V1.02 section 2.5.1; instrument and adapter delays come on top",
    )


_Build = Callable[[argparse.ArgumentParser], None]
SUMS: dict[str, tuple[str, _Build, Callable[[argparse.Namespace], Answer]]] = {
    "frost-point": ("water in ppm to frost point over ice", _frost_point_arguments, _frost_point),
    "ppm": ("frost point (above 0 degC dew point) to ppm", _ppm_arguments, _ppm),
    "purge": ("how long a purge takes", _purge_arguments, _purge),
    "cycles": ("how many antechamber cycles it takes", _cycles_arguments, _cycles),
    "leak": ("leak rate from two readings of a pressure hold", _leak_arguments, _leak),
    "cleanup": ("where a circulated box settles, and when", _cleanup_arguments, _cleanup),
    "bed": ("what a purifier bed took up", _bed_arguments, _bed),
    "modbus-time": (
        "the shortest time of one read on a serial line",
        _modbus_time_arguments,
        _modbus_time,
    ),
}
