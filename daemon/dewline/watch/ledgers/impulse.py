"""A short excess of a trace gas that is over: what came in at once and was cleaned away."""

from __future__ import annotations

from typing import NamedTuple

# Least excess that counts, ppm: of the order of a trace sensor's noise.
LEAST_PPM = {"oxygen": 0.1, "moisture": 0.2}


class Impulse(NamedTuple):
    """An excess that is over. Times are watch times, levels ppm above ``baseline_ppm``.

    ``dose_cm3``: the gas that came in, at 0 °C and 1013.25 mbar; None without flow or volume.
    ``tenth_s``: from the peak until a tenth of it was left; ``tenth_times``: the same in units
    of V/(eta Q), the time constant of the box, None where the bed did not clean it alone.
    ``settled``: it ended at its baseline. ``at_least``: the sensor was saturated, so more came
    in. ``steep``: it stood out by itself, not only because a door was open. ``isolated``: the
    loop stood all the time. ``door``: an inner door was open.
    """

    role: str
    started_ms: int
    ended_ms: int
    peak_ms: int
    baseline_ppm: float
    peak_ppm: float
    area_ppm_h: float
    dose_cm3: float | None
    tenth_s: float | None
    settled: bool
    at_least: bool
    steep: bool
    isolated: bool
    door: bool
    tenth_times: float | None = None

    @property
    def seen(self) -> bool:
        """Whether it stands out of the noise at all."""
        return self.peak_ppm > LEAST_PPM[self.role]
