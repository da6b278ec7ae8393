"""The sums of ``dewline calc``: physics of ``gas``, put into words with formula and source.

A sum gets its quantities as attributes that bear their units, as the table in ``calc`` names
them, and raises OutOfRange where its formula does not hold.
"""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from dewline.config.wire import wire_time_ms
from dewline.gas import air, antechamber, bed, cleanup, dilution, humidity, leak, permeation
from dewline.gas.constants import ATM_PA, between
from dewline.units import parse_quantity

SHOWN_CYCLES = 20
ICE = "IAPWS R14-08(2011), sublimation pressure of ice Ih"
LIQUID = "IAPWS R7-97(2012) eq. 30, saturation of liquid water"
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

    document: Mapping[str, float | Sequence[float] | None]
    words: str
    formula: str
    source: str
    remarks: Sequence[str] = field(default_factory=tuple)


def _span(seconds: float) -> str:
    """Seconds as a person says them."""
    for unit, size in (("d", 86_400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def frost_point(q: Namespace) -> Answer:
    """Frost point over ice of a share of water: ``frost_point_c``, ``vapour_pressure_pa``.

    In words also the dew point over supercooled water, which some instruments show.
    """
    ppm, pressure_pa = q.fraction_ppm, q.pressure_pa
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
        ICE,
    )


def ppm(q: Namespace) -> Answer:
    """Water by volume at a point of saturation: ``ppm``, ``vapour_pressure_pa``.

    Up to 0.01 °C the point is a frost point, over ice; above it a dew point, over liquid.
    """
    vapour_pa = humidity.stable_pressure_pa(q.point_c)
    water_ppm = humidity.ppm_of_vapour(vapour_pa, q.pressure_pa)
    liquid = q.point_c > humidity.TRIPLE_K - 273.15
    return Answer(
        {"ppm": water_ppm, "vapour_pressure_pa": vapour_pa},
        f"{'dew' if liquid else 'frost'} point {q.point_c:g} degC at {q.pressure_pa / 100:g} mbar: "
        f"{water_ppm:.4g} ppm, vapour pressure {vapour_pa:.4g} Pa",
        "x = e(T) / p; ideal mixture",
        LIQUID if liquid else ICE,
    )


def purge(q: Namespace) -> Answer:
    """Gas and time to flush a box: ``volumes`` of the box, ``seconds``.

    Both are None where the purge gas itself is above the target.
    """
    volumes = dilution.volumes_needed(q.from_ppm, q.to_ppm, q.inlet_ppm, q.mixing)
    dilution.purge_s(0.0, q.volume_m3, q.flow_m3_h)  # a volume or flow of nothing is refused anyway
    seconds = None
    words = f"never: the gas itself brings {q.inlet_ppm:g} ppm, target {q.to_ppm:g} ppm"
    if volumes is not None:
        seconds = dilution.purge_s(volumes, q.volume_m3, q.flow_m3_h)
        words = (
            f"{volumes:.4g} box volumes, {volumes * q.volume_m3:.3g} m3 of gas, {_span(seconds)}; "
            f"if nothing mixed it would be {dilution.PLUG_VOLUMES:g} volume"
        )
    return Answer(
        {"volumes": volumes, "seconds": seconds},
        words,
        "N = ln[(C0 - Cin)/(C1 - Cin)] / K; t = N V / Q",
        "derived for a mixed box; the mixing factor K is common practice, no source",
        [ROOM_CAUTION],
    )


def cycles(q: Namespace) -> Answer:
    """Evacuations and refills that reach a target: ``cycles``, ``remaining_ppm`` after each.

    With a barometer both pressures are gauge readings. ``cycles`` is None where the refill gas
    itself is above the target.
    """
    low_pa, high_pa = q.low_pa, q.high_pa
    if q.barometer_pa is not None:
        low_pa, high_pa = (antechamber.absolute_pa(p, q.barometer_pa) for p in (low_pa, high_pa))
    cycle = antechamber.Cycle(low_pa, high_pa, q.refill_ppm)
    count = antechamber.cycles_needed(q.from_ppm, q.to_ppm, cycle)
    shown = SHOWN_CYCLES if count is None else min(count, SHOWN_CYCLES)
    left = [antechamber.residual_ppm(q.from_ppm, cycle, n) for n in range(1, shown + 1)]
    words = f"never: the refill gas itself brings {q.refill_ppm:g} ppm, target {q.to_ppm:g} ppm"
    if count is not None:
        words = f"{count} cycles; left after each, ppm: {', '.join(f'{c:.4g}' for c in left)}"
    return Answer(
        {"cycles": count, "remaining_ppm": left},
        words,
        f"Cn = Cr + (C0 - Cr) r^n, r = p_low/p_high = {cycle.share:.4g}",
        "derived, ideal gas; for gases only, moisture needs time under vacuum",
        [VACUUM_CAUTION],
    )


def leak_rate(q: Namespace) -> Answer:
    """Leak rate from two readings, each gauge, gas temperature and barometer.

    ``mbar_l_per_s``, ``hourly_rate`` in 1/h, ``percent_per_hour``, and the ``class`` of
    ISO 10648-2: None where the change lies within the resolution, or outside every class.
    """
    start, end = leak.HoldPoint(*q.start), leak.HoldPoint(*q.end)
    compliance = 0.0
    remark = "taken as rigid: with gloves on the true rate is 1.5 to 3 times this; give --step"
    if q.step:
        compliance = leak.compliance_from_step(q.volume_m3, start.absolute_pa, *q.step)
        remark = f"gloves and windows give {compliance * 1e5:.3g} L/mbar by that step"
    rate = leak.pressure_hold(q.volume_m3, start, end, q.hours * 3600, compliance)
    number = leak.iso_10648_2_class(rate.hourly_rate_per_h)
    verdict = f"within the class-{number} limit" if number else "outside every class limit"
    if not rate.resolved(parse_quantity(q.resolution).to("Pa")):
        number, verdict = None, f"not resolved: the change is within {q.resolution}"
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
        [remark, VACUUM_CAUTION],
    )


def clean_up(q: Namespace) -> Answer:
    """Where a circulated box settles: ``steady_ppm``, ``time_constant_s``.

    ``seconds`` until it comes down to the target; None where it never does.
    """
    box = cleanup.balance(
        volume_m3=q.volume_m3,
        flow_m3_h=q.flow_m3_h,
        efficiency=q.efficiency,
        leak_per_h=q.leak_rate_per_h,
        source_cm3_h=q.source_cm3_h,
        outlet_ppm=q.outlet_ppm,
    )
    seconds = box.time_to_s(q.from_ppm, parse_quantity(q.to).to("ppm"))
    when = "never reached" if seconds is None else f"reached after {_span(seconds)}"
    return Answer(
        {
            "seconds": seconds,
            "steady_ppm": box.steady_ppm,
            "time_constant_s": box.time_constant_s,
        },
        f"{q.to} is {when}; settles at {box.steady_ppm:.4g} ppm with a time constant of "
        f"{_span(box.time_constant_s)}",
        "V dC/dt = L (C_air - C) + G - eta Q (C - C_out); t = tau ln[(C0 - Css)/(C1 - Css)]",
        "derived, well mixed, air of 20.946 % oxygen",
        ["for oxygen; dead corners double the time, and walls give water off for hours to days"],
    )


def bed_uptake(q: Namespace) -> Answer:
    """What a bed took up: ``litres`` at 0 °C and 1013.25 mbar, ``grams``.

    Of oxygen also, in words, the hydrogen that its regeneration takes and the water it makes.
    """
    gas: bed.Held = "oxygen" if q.gas == "oxygen" else "water"
    amount_mol = bed.uptake_mol(
        flow_m3_h=q.flow_m3_h,
        gas_k=q.temperature_k,
        pressure_pa=q.pressure_pa,
        inlet_ppm=q.ppm_ppm,
        duration_s=q.hours * 3600,
        outlet_ppm=q.outlet_ppm,
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


def air_ratio(q: Namespace) -> Answer:
    """Oxygen to water in room air: ``oxygen_ppm``, ``water_ppm``, ``ratio``.

    A leak of air brings both in this ratio.
    """
    room = air.room_air(q.temperature_c, q.humidity_percent, q.pressure_pa)
    return Answer(
        {"oxygen_ppm": room.oxygen_ppm, "water_ppm": room.water_ppm, "ratio": room.ratio},
        f"room air at {q.temperature_c:g} degC and {q.humidity_percent:g} %: "
        f"{room.oxygen_ppm:.0f} ppm of oxygen to {room.water_ppm:.0f} ppm of water, "
        f"{room.ratio:.3g} to 1",
        "x_w = h e(T) / p; x_O2 = 0.20946 (1 - x_w); ratio = x_O2 / x_w",
        f"derived; {LIQUID}; dry air of 20.946 % oxygen from memory",
        [
            "a hygrometer of +-3 % moves it by +-6 % at 50 %",
            "from 6 in a humid room to 45 in a dry one: no fixed figure tells a leak from a bed",
        ],
    )


def gloves(q: Namespace) -> Answer:
    """What comes through glove rubber out of room air: ``cm3_per_h``, ``ppm_per_h``.

    Each is a pair: the low and high end of what is known for butyl rubber, or twice the same
    where a permeability is given. ``ppm_per_h`` is the rise in an isolated box.
    """
    room = air.room_air(q.room_c, q.humidity_percent)
    gas, known, ppm = "water", permeation.BUTYL_WATER_BARRER, room.water_ppm
    if q.gas == "oxygen":
        gas, known, ppm = "oxygen", permeation.BUTYL_OXYGEN_BARRER, room.oxygen_ppm
    given = q.permeability_barrer
    flows = [
        permeation.permeation_cm3_h(barrer, q.area_m2, q.thickness_mm / 1e3, ppm * 1e-6 * ATM_PA)
        for barrer in (known if given is None else (given, given))
    ]
    rises = [permeation.rise_ppm_h(f, q.volume_m3, q.temperature_k, q.pressure_pa) for f in flows]
    remarks = ["the sum is exact, the permeability is not; it follows the room hours late"]
    if gas == "water":
        remarks.append("walls take most of the water: 30 % shows after 15 min, 15 % after 1 h")
    return Answer(
        {"cm3_per_h": flows, "ppm_per_h": rises},
        f"{flows[0]:.3g} to {flows[1]:.3g} cm3/h (0 degC, 1013.25 mbar) of {gas}: an isolated box "
        f"rises by {rises[0]:.3g} to {rises[1]:.3g} ppm/h",
        "q = P A dp / l; dC/dt = q (T / 273.15 K) (1013.25 mbar / p) / V",
        "derived; butyl rubber 1.3-1.7 barrer for oxygen, 40-200 for water, from memory "
        "(Polymer Handbook; Peacock 1980)",
        remarks,
    )


def modbus_time(q: Namespace) -> Answer:
    """The shortest time of one read of registers on a serial line: ``milliseconds``."""
    between("baud", q.baud, 110, 4_000_000, "Bd")
    between("registers", q.registers, 1, 125, "")
    milliseconds = wire_time_ms(q.baud, q.registers)
    return Answer(
        {"milliseconds": milliseconds},
        f"{milliseconds:.4f} ms at the least for {q.registers} registers at {q.baud} Bd",
        "(8 + 5 + 2 N) 11 bit / baud + 2 t3.5, t3.5 fixed at 1.75 ms above 19200 Bd",
        "MODBUS over serial line V1.02 section 2.5.1; instrument and adapter delays come on top",
    )
