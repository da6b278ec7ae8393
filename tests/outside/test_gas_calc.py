"""``dewline calc`` end to end against the same outside tables, through the command line.

Sources as in the other files of the gas room: IAPWS R14-08/R7-97 (iapws 1.5.5),
pint 0.25.3, scipy; MODBUS over serial line V1.02 section 2.5.1 for wire time; class
limits of ISO 10648-2:1994 FROM MEMORY; PsychroLib 2.5 for room air.
"""

import csv
import json
import math
from pathlib import Path
from typing import Any

import psychrolib
import pytest

from dewline.cli import main

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((DATA / f"{name}.csv").read_text().splitlines()))


@pytest.fixture
def calc(capsys: pytest.CaptureFixture[str]) -> Any:
    """Run ``dewline calc … --json`` and give its one object; stderr stays empty."""

    def ask(*words: str) -> dict[str, Any]:
        assert main(["calc", *words, "--json"]) == 0
        out, err = capsys.readouterr()
        assert err == ""
        answer: dict[str, Any] = json.loads(out)
        return answer

    return ask


@pytest.mark.parametrize("row", rows("ppmv_to_frost"), ids=lambda r: r["ppmv"])
@pytest.mark.parametrize("mbar", ["1013.25", "1014.25"])
def test_frost_point(calc: Any, row: dict[str, str], mbar: str) -> None:
    """ppm to frost point within 0.001 K, with the vapour pressure it comes from."""
    answer = calc("frost-point", f"{row['ppmv']} ppm", "--pressure", f"{mbar} mbar")
    assert answer.keys() == {"frost_point_c", "vapour_pressure_pa"}
    column = f"t_frost_C_{float(mbar) * 100:.0f}Pa"
    assert answer["frost_point_c"] == pytest.approx(float(row[column]), abs=0.001)
    vapour_pa = float(row["ppmv"]) * float(mbar) * 1e-4
    assert answer["vapour_pressure_pa"] == pytest.approx(vapour_pa, rel=1e-12)


@pytest.mark.parametrize("row", rows("frost_point"), ids=lambda r: r["t_frost_C"])
def test_ppm(calc: Any, row: dict[str, str]) -> None:
    """Frost point, above 0 °C dew point, to ppm and vapour pressure within 1e-6."""
    answer = calc("ppm", f"{row['t_frost_C']} degC", "--pressure", "1013.25 mbar")
    assert answer.keys() == {"ppm", "vapour_pressure_pa"}
    assert answer["ppm"] == pytest.approx(float(row["ppmv_101325Pa"]), rel=1e-6)
    assert answer["vapour_pressure_pa"] == pytest.approx(float(row["p_ice_Pa"]), rel=1e-6)


@pytest.mark.parametrize("row", rows("purge"), ids=lambda r: r["C_target_ppm"])
def test_purge(calc: Any, row: dict[str, str]) -> None:
    """Volumes within 1e-4, seconds at 1 m³ and 60 m³/h, null where the inlet forbids it."""
    words = ("purge", "--from", "209460 ppm", "--to", f"{row['C_target_ppm']} ppm")
    size = ("--volume", "1000 L", "--flow", "1 m3/min")
    answer = calc(*words, "--inlet", "0 ppm", *size, "--mixing", "0.7")
    assert answer.keys() == {"volumes", "seconds"}
    assert answer["volumes"] == pytest.approx(float(row["vol_changes_K0.7"]), abs=1e-4)
    assert answer["seconds"] == pytest.approx(answer["volumes"] * 60, rel=1e-12)
    answer = calc(*words, "--inlet", "1 ppm", *size)
    expected = float(row["vol_changes_mixed_Cin1ppm"])
    if math.isinf(expected):
        assert answer == {"volumes": None, "seconds": None}
    else:
        assert answer["volumes"] == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("low", ["1", "10", "50"])
@pytest.mark.parametrize("refill", ["1", "10"])
def test_cycles(calc: Any, low: str, refill: str) -> None:
    """The residual after each cycle within 1e-5, and the least count for 11 ppm."""
    answer = calc(
        *("cycles", "--from", "209460 ppm", "--to", "11 ppm", "--low", f"{low} mbar"),
        *("--high", "1013.25 mbar", "--refill", f"{refill} ppm"),
    )
    assert answer.keys() == {"cycles", "remaining_ppm"}
    table = [
        float(row[f"O2_ppm_refill_{refill}ppm"])
        for row in rows("antechamber")
        if row["p_low_mbar_abs"] == low
    ]
    needed = next(n for n, left in enumerate(table, 1) if left <= 11)
    assert answer["cycles"] == needed
    assert answer["remaining_ppm"] == pytest.approx(table[:needed], rel=1e-5)


def test_cycles_never_reached(calc: Any) -> None:
    """Refill gas dirtier than the target: null, and the first twenty residuals to see why."""
    answer = calc(
        *("cycles", "--from", "20.9 %", "--to", "1 ppm", "--low", "10 mbar"),
        *("--high", "1013 mbar", "--refill", "5 ppm"),
    )
    assert answer["cycles"] is None
    assert len(answer["remaining_ppm"]) == 20
    assert answer["remaining_ppm"][-1] == pytest.approx(5)


@pytest.mark.parametrize(
    "row", rows("gauge_inhg"), ids=lambda r: f"{r['baro_mbar']}:{r['gauge_inHg']}"
)
def test_cycles_from_gauge_readings(calc: Any, row: dict[str, str]) -> None:
    """inHg gauge readings against a barometer; an impossible one is refused, exit 2."""
    words = [
        *("cycles", "--from", "1000 ppm", "--to", "999 ppm", "--high", "0 mbar"),
        *("--low", f"{row['gauge_inHg']} inHg", "--barometer", f"{row['baro_mbar']} mbar"),
    ]
    if row["verdict"] == "ok":
        left = calc(*words)["remaining_ppm"][0]
        share = float(row["p_abs_mbar"]) / float(row["baro_mbar"])
        assert left == pytest.approx(1000 * share, abs=1e-3)
    else:
        assert main(["calc", *words]) == 2


@pytest.mark.parametrize("row", rows("leak_hold"), ids=lambda r: r["case"][0])
def test_leak(calc: Any, row: dict[str, str]) -> None:
    """Flow and hourly rate within 1e-6 (1e-9 absolute at zero), class, null if not resolved."""
    answer = calc(
        *("leak", "--volume", f"{row['V_m3']} m3", "--hours", row["t_h"]),
        *("--start", f"{row['pg1_mbar']} mbar", f"{row['T1_K']} K", f"{row['baro1_mbar']} mbar"),
        *("--end", f"{row['pg2_mbar']} mbar", f"{row['T2_K']} K", f"{row['baro2_mbar']} mbar"),
        *("--resolution", "0.05 mbar"),
    )
    assert answer.keys() == {"mbar_l_per_s", "hourly_rate", "percent_per_hour", "class"}
    got = [answer["mbar_l_per_s"], answer["hourly_rate"], answer["percent_per_hour"]]
    expected = [float(row[k]) for k in ("Q_mbar_L_s", "hourly_rate_per_h", "vol_pct_per_h")]
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-9)
    known = row["iso10648_2_class_by_rate"]
    assert answer["class"] == (int(known) if known.isdigit() else None)


def test_leak_with_gloves_on(calc: Any) -> None:
    """A known step of 1 L that raised the gauge 0.5 mbar shows the true rate, 1.7 times rigid.

    Derived: (V/p + C) dp with V/p + C = 1 L / 0.5 mbar against V/p = 1.18 L/mbar.
    """
    words = [
        *("leak", "--volume", "1.2 m3", "--hours", "1"),
        *("--start", "5 mbar", "22 degC", "1013 mbar", "--end", "4 mbar", "22 degC", "1013 mbar"),
    ]
    rigid = calc(*words)["hourly_rate"]
    giving = calc(*words, "--step", "1 L", "0.5 mbar")["hourly_rate"]
    assert giving / rigid == pytest.approx(2.0 / (1200 / 1018), rel=1e-3)


@pytest.mark.parametrize("row", rows("balance_cleanup"), ids=lambda r: r["case"][0])
def test_cleanup(calc: Any, row: dict[str, str]) -> None:
    """Seconds, steady level and time constant within 1e-6; null where never reached."""
    answer = calc(
        *("cleanup", "--volume", f"{row['V_m3']} m3", "--flow", f"{row['Qcirc_m3_h']} m3/h"),
        *("--efficiency", row["eta"], "--leak-rate", f"{row['leak_per_h']} /h"),
        *("--source", f"{row['perm_cm3_h']} cm3/h", "--outlet", f"{row['C_out_ppm']} ppm"),
        *("--from", f"{row['C0_ppm']} ppm", "--to", f"{row['C1_ppm']} ppm"),
    )
    assert answer.keys() == {"seconds", "steady_ppm", "time_constant_s"}
    assert answer["steady_ppm"] == pytest.approx(float(row["C_ss_ppm"]), rel=1e-6)
    assert answer["time_constant_s"] == pytest.approx(float(row["tau_s"]), rel=1e-6)
    seconds = float(row["t_cleanup_s"])
    if math.isinf(seconds):
        assert answer["seconds"] is None
    else:
        assert answer["seconds"] == pytest.approx(seconds, rel=1e-6)


@pytest.mark.parametrize("row", rows("bed_loading"), ids=lambda r: r["case"])
def test_bed(calc: Any, row: dict[str, str]) -> None:
    """Litres at 0 °C, 1013.25 mbar and grams within 1e-6."""
    answer = calc(
        *("bed", "--gas", "oxygen" if row["case"].startswith("O2") else "moisture"),
        *("--ppm", row["C_in_ppm"], "--outlet", f"{row['C_out_ppm']} ppm"),
        *("--flow", f"{row['Q_m3_h_actual']} m3/h", "--hours", row["t_h"]),
        *("--temperature", f"{row['T_C']} degC", "--pressure", f"{row['p_mbar_abs']} mbar"),
    )
    assert answer.keys() == {"litres", "grams"}
    expected = [float(row["L_at_0C_1atm"]), float(row["mass_g"])]
    assert [answer["litres"], answer["grams"]] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("t_c", "humidity", "ratio"), [(23, 50, 15), (20, 20, 45), (30, 80, 6)])
def test_air_ratio(calc: Any, t_c: float, humidity: float, ratio: float) -> None:
    """Oxygen to water of PsychroLib's moist air within 0.1 %, about 15, 45 and 6 to 1."""
    answer = calc("air-ratio", f"{t_c} degC", f"{humidity} %", "--pressure", "1013.25 mbar")
    assert answer.keys() == {"oxygen_ppm", "water_ppm", "ratio"}
    psychrolib.SetUnitSystem(psychrolib.SI)
    by_mass = psychrolib.GetHumRatioFromRelHum(t_c, humidity / 100, 101_325)
    moles = by_mass / 0.621945  # water a mole of dry air, ASHRAE's ratio of molar masses
    assert answer["ratio"] == pytest.approx(0.20946 / moles, rel=1e-3)
    assert answer["ratio"] == pytest.approx(ratio, rel=0.04)
    assert answer["oxygen_ppm"] / answer["water_ppm"] == pytest.approx(answer["ratio"])


# Air that gives the table's pressure differences: dry for oxygen, 23 °C and 50 % for water.
ROOM = {
    "O2": ("oxygen", "--room", "0 degC", "--humidity", "0.1 %"),
    "H2O": ("water", "--room", "23 degC", "--humidity", "50 %"),
}


def glove_words(row: dict[str, str]) -> list[str]:
    """The command of one row of permeation.csv, without its permeability."""
    return [
        *("gloves", "--gas", *ROOM[row["case"].split()[0]], "--area", f"{row['area_m2']} m2"),
        *("--thickness", f"{row['thickness_mm']} mm", "--volume", f"{row['V_m3']} m3"),
        *("--temperature", "22 degC", "--pressure", "1016.25 mbar"),
    ]


@pytest.mark.parametrize("row", rows("permeation"), ids=lambda r: r["case"])
def test_gloves(calc: Any, row: dict[str, str]) -> None:
    """Flow at 0 °C, 1013.25 mbar and the rise in an isolated box within 1e-5 (from room air)."""
    answer = calc(*glove_words(row), "--permeability", f"{row['P_barrer']} barrer")
    assert answer.keys() == {"cm3_per_h", "ppm_per_h"}
    flow, rise = float(row["cm3_STP_per_h"]), float(row["ppm_per_h_22C_1016.25mbar"])
    assert answer["cm3_per_h"] == pytest.approx([flow, flow], rel=1e-5)
    assert answer["ppm_per_h"] == pytest.approx([rise, rise], rel=1e-5)


def test_gloves_of_butyl_rubber(calc: Any) -> None:
    """Without a permeability both ends of what is known: 1.3 and 1.7, 40 and 200 barrer."""
    table = {row["case"]: row for row in rows("permeation")}
    low, high = (table[f"H2O butyl 0.4 mm {end}"] for end in ("low", "high"))
    flows = [float(row["cm3_STP_per_h"]) for row in (low, high)]
    assert calc(*glove_words(low))["cm3_per_h"] == pytest.approx(flows, rel=1e-5)
    oxygen = table["O2 butyl 0.4 mm"]
    flow = float(oxygen["cm3_STP_per_h"])
    assert calc(*glove_words(oxygen))["cm3_per_h"] == pytest.approx(
        [flow, flow * 1.7 / 1.3], rel=1e-5
    )


@pytest.mark.parametrize(
    "row", rows("modbus_timing"), ids=lambda r: f"{r['baud']}x{r['n_registers']}"
)
def test_modbus_time(calc: Any, row: dict[str, str]) -> None:
    """The shortest read on the wire within 1e-4 ms of the exact rationals."""
    answer = calc("modbus-time", "--baud", row["baud"], "--registers", row["n_registers"])
    assert answer.keys() == {"milliseconds"}
    assert answer["milliseconds"] == pytest.approx(float(row["t_min_transaction_ms"]), abs=1e-4)


PURGE = ("purge", "--from", "20.9 %", "--to", "10 ppm")
LEAK = ("leak", "--volume", "1.2 m3", "--start", "5 mbar", "22 degC", "1013 mbar", "--end")
CLEANUP = ("cleanup", "--volume", "1.2 m3", "--from", "9 ppm", "--to", "1 ppm")
GLOVES = ("gloves", "--gas", "oxygen", "--volume", "1.2 m3")
REFUSED = [
    ("frost-point", "0 ppm"),
    ("frost-point", "30000 ppm"),
    ("frost-point", "-1 ppm"),
    ("frost-point", "1 ppm", "--pressure", "-1 mbar"),
    ("frost-point", "1e999 ppm"),
    ("ppm", "-300 degC"),
    ("ppm", "-111 degC"),
    ("ppm", "101 degC"),
    (*PURGE, "--volume", "0 m3", "--flow", "300 L/min"),
    (*PURGE, "--volume", "1 m3", "--flow", "-3 L/min"),
    (*PURGE, "--volume", "1 m3", "--flow", "3 L/min", "--mixing", "1.5"),
    (*PURGE, "--volume", "1 m3", "--flow", "3 L/min", "--mixing", "nan"),
    ("cycles", *PURGE[1:], "--low", "1013 mbar", "--high", "10 mbar"),
    ("cycles", *PURGE[1:], "--low", "-29 inHg", "--high", "1013 mbar"),
    ("cycles", *PURGE[1:], "--low", "-29 inHg", "--high", "0 mbar", "--barometer", "850 mbar"),
    (*LEAK, "4 mbar", "22 degC", "1013 mbar", "--hours", "0"),
    (*LEAK, "4 mbar", "-300 degC", "1013 mbar", "--hours", "1"),
    (*LEAK, "-1100 mbar", "22 degC", "1013 mbar", "--hours", "1"),
    (*LEAK, "4 mbar", "22 degC", "1013 mbar", "--hours", "1", "--resolution", "-1 mbar"),
    (*CLEANUP, "--flow", "0 m3/h", "--efficiency", "0.9"),
    (*CLEANUP, "--flow", "60 m3/h", "--efficiency", "1.1"),
    ("bed", "--gas", "oxygen", "--ppm", "-3", "--flow", "60 m3/h", "--hours", "1"),
    ("bed", "--gas", "oxygen", "--ppm", "3", "--flow", "60 m3/h", "--hours", "inf"),
    ("air-ratio", "61 degC", "50 %"),
    ("air-ratio", "23 degC", "0 %"),
    ("air-ratio", "23 degC", "101 %"),
    ("air-ratio", "23 degC", "50 %", "--pressure", "10 mbar"),
    (*GLOVES, "--area", "0 m2", "--thickness", "0.4 mm"),
    (*GLOVES, "--area", "1 m2", "--thickness", "0 mm"),
    (*GLOVES, "--area", "1 m2", "--thickness", "0.4 mm", "--permeability", "0 barrer"),
    ("modbus-time", "--baud", "0", "--registers", "1"),
    ("modbus-time", "--baud", "9600", "--registers", "126"),
]


@pytest.mark.parametrize("words", REFUSED, ids=lambda w: " ".join(w)[-40:])
def test_out_of_range_is_exit_2_with_what_is_allowed(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """Out of range: status 2, nothing on stdout, and the message says what is allowed."""
    assert main(["calc", *words, "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "allowed" in err


@pytest.mark.parametrize(
    "words", [("frost-point", "1ppm"), ("frost-point", "1 mbar"), ("ppm", "-76 ppm")]
)
def test_a_wrong_unit_is_exit_2(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """A quantity without its space, or of another dimension: status 2."""
    assert main(["calc", *words]) == 2
    assert capsys.readouterr().err


SAID = [
    (("frost-point", "10 ppm"), ["-60.48 degC over ice", "-64.6", "R14-08"]),
    (("ppm", "20 degC"), ["dew point", "R7-97"]),
    ((*PURGE, "--volume", "1.1 m3", "--flow", "300 L/min"), ["9.9", "common practice", "oxygen"]),
    (("cycles", *PURGE[1:], "--low", "10 mbar", "--high", "1 bar"), ["3 cycles", "Never evacuate"]),
    (
        (*LEAK, "4 mbar", "22 degC", "1013 mbar", "--hours", "1"),
        ["class-2", "from memory", "rigid"],
    ),
    (
        (*LEAK, "4.99 mbar", "22 degC", "1013 mbar", "--hours", "1"),
        ["not resolved", "Indicative, no certificate"],
    ),
    ((*CLEANUP, "--flow", "60 m3/h", "--efficiency", "0.9"), ["settles at", "walls give water"]),
    (
        ("bed", "--gas", "oxygen", "--ppm", "10", "--flow", "60 m3/h", "--hours", "24"),
        ["13.37 L", "upper bound", "flammable"],
    ),
    (("air-ratio", "23 degC", "50 %"), ["14.9 to 1", "R7-97", "no fixed figure"]),
    (
        (*GLOVES[:2], "water", *GLOVES[3:], "--area", "0.9 m2", "--thickness", "0.4 mm"),
        ["3.42 to 17.1 cm3/h", "walls take most", "from memory"],
    ),
    (("modbus-time", "--baud", "19200", "--registers", "10"), ["22.9167 ms", "V1.02"]),
]


@pytest.mark.parametrize(("words", "said"), SAID, ids=lambda v: v[0])
def test_words_with_formula_and_source(
    words: tuple[str, ...], said: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """For a person: the answer in words, formula and source, cautions, on stdout."""
    assert main(["calc", *words]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "formula: " in out
    assert "source: " in out
    for words_said in said:
        assert words_said in out
