"""The frost point of a box, computed from its moisture."""

from __future__ import annotations

from dewline.errors import OutOfRange
from dewline.gas.humidity import FROST_LOW_C, frost_point_c
from dewline.readings import Quality, Reading
from dewline.watch.signals.box_facts import BoxFacts, worst
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState


def frost_point(at_ms: int, moisture: SignalState, facts: BoxFacts) -> Reading:
    """Frost point over ice, °C, at the pressure of the box.

    Its quality is that of the worst input. Beyond -110 or 0.01 °C it is that end of the range,
    marked as beyond it.
    """
    quality = worst(at_ms, moisture, facts.pressure, facts.barometer)
    ppm = moisture.value
    if ppm is None or quality >= FIRST_BAD:
        return Reading(None, max(quality, Quality.NO_ANSWER))
    try:
        return Reading(frost_point_c(ppm, facts.pressure_pa), quality)
    except OutOfRange:
        if ppm < 1.0:
            return Reading(FROST_LOW_C, max(quality, Quality.UNDER_RANGE))
        return Reading(0.01, max(quality, Quality.OVER_RANGE))
