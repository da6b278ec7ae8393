"""Register maps of the lab's instruments, all invented here.

The lab's units are ppm, mbar, °C, m³/h, L/min and bits; ``factor`` and
``shift`` take them to what the instrument speaks.
"""

from __future__ import annotations

from collections.abc import Mapping

from dewline_sim.instruments.registers import (
    LARGEST_FLOAT32,
    NAN_FLOAT32,
    Register,
    State,
    check_map,
)

_FAULT = {State.FAULT: "bad/loop-fault"}
_FLOAT_CODES = {State.OVER: LARGEST_FLOAT32, State.FAULT: NAN_FLOAT32, State.WARMING: NAN_FLOAT32}
_NAN = {State.FAULT: "bad/not-a-number", State.WARMING: "bad/not-a-number"}

TRACE_GAS = (
    Register(
        name="o2", table="input", address=0, type="float32", order="CDAB",
        codes=_FLOAT_CODES, code_quality=_NAN, top=250_000.0, bottom=-2.0, floor=0.02,
    ),
    Register(
        name="h2o", table="input", address=2, type="int32", order="BADC", per=0.001,
        codes={State.OVER: 0x7FFFFFFF, State.FAULT: 0x80000000, State.WARMING: 0x80000001},
        top=30_000.0, bottom=-2.0, floor=0.05,
    ),
    Register(name="sample_flow", table="input", address=4, per=0.001, loop=(0.0, 1.0)),
    Register(
        name="cell_temperature", table="input", address=5, type="int16", per=0.1,
        factor=1.8, shift=32.0, codes={State.OVER: 0x7FFF, State.FAULT: 0x8000}, top=121.111,
    ),
    Register(name="analyzer_on", table="input", address=6, type="bit", bit=0),
    Register(name="sample_pump_on", table="input", address=6, type="bit", bit=1),
    Register(name="service_due", table="input", address=6, type="bit", bit=7),
    Register(
        name="running_hours", table="input", address=8, type="float64", order="DCBA",
        factor=1 / 3600,
    ),
    Register(name="serial_number", table="holding", address=100, type="uint32"),
)  # fmt: skip

_PANEL_HOLDING = (
    Register(
        name="box_pressure", table="holding", address=0, type="int16", per=0.01,
        codes={State.OVER: 0x7FFF, State.UNDER: 0x8000}, top=50.0, bottom=-50.0,
    ),
    Register(name="pressure_low", table="holding", address=1, type="int16", per=0.01),
    Register(name="pressure_high", table="holding", address=2, type="int16", per=0.01),
    Register(
        name="box_temperature", table="holding", address=3, type="int16", per=0.1,
        codes={State.FAULT: 0x7FFF}, code_quality=_FAULT,
    ),
    Register(name="panel_alarm", table="holding", address=4, type="bit", bit=0),
    Register(name="emergency_stop", table="holding", address=4, type="bit", bit=1),
    Register(name="foot_pedal", table="holding", address=4, type="bit", bit=2),
    Register(name="light", table="holding", address=4, type="bit", bit=15),
    Register(name="freezer_setpoint", table="holding", address=5, type="int16", per=0.1),
)  # fmt: skip

_PANEL_INPUT = (
    Register(name="large_pressure", table="input", address=0, type="float32", factor=100.0),
    Register(name="small_pressure", table="input", address=2, type="float32", order="BADC"),
    Register(name="circulation_flow", table="input", address=4, per=0.001, loop=(0.0, 100.0)),
    Register(name="blower_speed", table="input", address=5, per=0.1),
    Register(
        name="bed_temperature", table="input", address=6, type="int16", per=0.1,
        codes={State.FAULT: 0x7FFF}, code_quality=_FAULT,
    ),
    Register(name="bed_in_loop", table="input", address=7),
    Register(name="regeneration_step", table="input", address=8),
    Register(
        name="supply", table="input", address=9, type="uint32", order="CDAB", factor=100.0,
        codes={State.FAULT: 0xFFFFFFFF},
    ),
    Register(name="forming_gas_pressure", table="input", address=11, per=0.1, factor=1e-3),
    Register(name="forming_gas_flow", table="input", address=12, per=0.1, factor=1.0),
    Register(
        name="cooling_water_temperature", table="input", address=13, type="int16", per=0.1,
    ),
    Register(name="cooling_water_flow", table="input", address=14, per=0.01),
    Register(
        name="freezer_temperature", table="input", address=15, type="int16", per=0.1,
        codes={State.FAULT: 0x7FFF}, code_quality=_FAULT,
    ),
    Register(
        name="filter_differential", table="input", address=16, type="int16", factor=100.0,
    ),
    Register(
        name="outlet_oxygen", table="input", address=17, type="float32", order="DCBA",
        floor=0.02,
    ),
    Register(
        name="outlet_moisture", table="input", address=19, type="float32", order="DCBA",
        floor=0.05,
    ),
    Register(
        name="foreline_pressure", table="input", address=21, per=0.001, factor=760.0 / 1013.25,
        codes={State.OVER: 0xFFFF}, top=79.9934,
    ),
    Register(
        name="solvent_vapour", table="input", address=22, codes={State.OVER: 0xFFFF}, top=1e4,
    ),
)  # fmt: skip

_COILS = (
    "circulating", "purging", "regenerating", "fill_valve", "relief_valve", "large_evacuating",
    "large_refilling", "small_evacuating", "small_refilling", "vacuum_pump_on",
)  # fmt: skip
_DISCRETES = (
    "large_outer_door", "large_inner_door", "small_outer_door", "small_inner_door",
    "freezer_compressor", "freezer_door",
)  # fmt: skip

BOX_PANEL = (
    _PANEL_HOLDING
    + _PANEL_INPUT
    + tuple(Register(name=n, table="coil", address=i, type="bit") for i, n in enumerate(_COILS))
    + tuple(
        Register(name=n, table="discrete", address=i, type="bit") for i, n in enumerate(_DISCRETES)
    )
)

ROOM_AIR = (
    Register(
        name="room_oxygen", table="input", address=0, per=0.01,
        codes={State.FAULT: 0xFFFF, State.OVER: 0xFFFE}, top=30.0,
    ),
    Register(name="room_temperature", table="input", address=1, type="float32", order="DCBA"),
    Register(name="room_humidity", table="input", address=3, type="float32", order="CDAB"),
    Register(
        name="barometer", table="input", address=5, type="uint32", order="BADC", per=0.01,
    ),
    Register(name="mains_present", table="discrete", address=0, type="bit"),
)  # fmt: skip

MAPS: Mapping[str, tuple[Register, ...]] = {
    "trace-gas": TRACE_GAS,
    "box-panel": BOX_PANEL,
    "room-air": ROOM_AIR,
}
for _map in MAPS.values():
    check_map(_map)
