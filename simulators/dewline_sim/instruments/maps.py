"""Register maps of the lab's instruments, all invented here.

The lab's units are ppm, mbar, °C, m³/h, L/min and bits; ``factor`` and
``shift`` take them to what the instrument speaks.
"""

from __future__ import annotations

from dewline_sim.instruments.registers import (
    LARGEST_FLOAT32,
    NAN_FLOAT32,
    Register,
    State,
    check_map,
)
from dewline_sim.modbus import Table

_FAULT = {State.FAULT: "bad/loop-fault"}
_FLOAT_CODES = {State.OVER: LARGEST_FLOAT32, State.FAULT: NAN_FLOAT32, State.WARMING: NAN_FLOAT32}
_NAN = {State.FAULT: "bad/not-a-number", State.WARMING: "bad/not-a-number"}
_WATER_CODES = {State.OVER: 0x7FFFFFFF, State.FAULT: 0x80000000, State.WARMING: 0x80000001}


def _bits(table: Table, names: str) -> tuple[Register, ...]:
    """Coils or discrete inputs from address 0 on."""
    return tuple(Register(name, table, i, "bit") for i, name in enumerate(names.split()))


TRACE_GAS = (
    Register("o2", "input", 0, "float32", "CDAB", codes=_FLOAT_CODES, code_quality=_NAN,
             top=250_000.0, bottom=-2.0, floor=0.02),
    Register("h2o", "input", 2, "int32", "BADC", per=0.001, codes=_WATER_CODES,
             top=30_000.0, bottom=-2.0, floor=0.05),
    Register("sample_flow", "input", 4, per=0.001, loop=(0.0, 1.0)),
    Register("cell_temperature", "input", 5, "int16", per=0.1, factor=1.8, shift=32.0,
             codes={State.OVER: 0x7FFF, State.FAULT: 0x8000}, top=121.111),
    Register("analyzer_on", "input", 6, "bit", bit=0),
    Register("sample_pump_on", "input", 6, "bit", bit=1),
    Register("service_due", "input", 6, "bit", bit=7),
    Register("running_hours", "input", 8, "float64", "DCBA", factor=1 / 3600),
    Register("serial_number", "holding", 100, "uint32"),
)  # fmt: skip

_PANEL_HOLDING = (
    Register("box_pressure", "holding", 0, "int16", per=0.01, top=50.0, bottom=-50.0,
             codes={State.OVER: 0x7FFF, State.UNDER: 0x8000}),
    Register("pressure_low", "holding", 1, "int16", per=0.01),
    Register("pressure_high", "holding", 2, "int16", per=0.01),
    Register("box_temperature", "holding", 3, "int16", per=0.1,
             codes={State.FAULT: 0x7FFF}, code_quality=_FAULT),
    Register("panel_alarm", "holding", 4, "bit", bit=0),
    Register("emergency_stop", "holding", 4, "bit", bit=1),
    Register("foot_pedal", "holding", 4, "bit", bit=2),
    Register("light", "holding", 4, "bit", bit=15),
    Register("freezer_setpoint", "holding", 5, "int16", per=0.1),
)  # fmt: skip

_PANEL_INPUT = (
    Register("large_pressure", "input", 0, "float32", factor=100.0),
    Register("small_pressure", "input", 2, "float32", "BADC"),
    Register("circulation_flow", "input", 4, per=0.001, loop=(0.0, 100.0)),
    Register("blower_speed", "input", 5, per=0.1),
    Register("bed_temperature", "input", 6, "int16", per=0.1,
             codes={State.FAULT: 0x7FFF}, code_quality=_FAULT),
    Register("bed_in_loop", "input", 7),
    Register("regeneration_step", "input", 8),
    Register("supply", "input", 9, "uint32", "CDAB", factor=100.0,
             codes={State.FAULT: 0xFFFFFFFF}),
    Register("forming_gas_pressure", "input", 11, per=0.1, factor=1e-3),
    Register("forming_gas_flow", "input", 12, per=0.1),
    Register("cooling_water_temperature", "input", 13, "int16", per=0.1),
    Register("cooling_water_flow", "input", 14, per=0.01),
    Register("freezer_temperature", "input", 15, "int16", per=0.1,
             codes={State.FAULT: 0x7FFF}, code_quality=_FAULT),
    Register("filter_differential", "input", 16, "int16", factor=100.0),
    Register("outlet_oxygen", "input", 17, "float32", "DCBA", floor=0.02),
    Register("outlet_moisture", "input", 19, "float32", "DCBA", floor=0.05),
    Register("foreline_pressure", "input", 21, per=0.001, factor=760.0 / 1013.25,
             codes={State.OVER: 0xFFFF}, top=79.9934),
    Register("solvent_vapour", "input", 22, codes={State.OVER: 0xFFFF}, top=1e4),
)  # fmt: skip

BOX_PANEL = (
    *_PANEL_HOLDING,
    *_PANEL_INPUT,
    *_bits(
        "coil",
        "circulating purging regenerating fill_valve relief_valve large_evacuating large_refilling"
        " small_evacuating small_refilling vacuum_pump_on",
    ),
    *_bits(
        "discrete",
        "large_outer_door large_inner_door small_outer_door small_inner_door freezer_compressor"
        " freezer_door",
    ),
)

ROOM_AIR = (
    Register("room_oxygen", "input", 0, per=0.01, top=30.0,
             codes={State.FAULT: 0xFFFF, State.OVER: 0xFFFE}),
    Register("room_temperature", "input", 1, "float32", "DCBA"),
    Register("room_humidity", "input", 3, "float32", "CDAB"),
    Register("barometer", "input", 5, "uint32", "BADC", per=0.01),
    Register("mains_present", "discrete", 0, "bit"),
)  # fmt: skip

MAPS = {"trace-gas": TRACE_GAS, "box-panel": BOX_PANEL, "room-air": ROOM_AIR}
for _map in MAPS.values():
    check_map(_map)
