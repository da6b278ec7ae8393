"""What is known of a box now: flow, pressure, temperature, state of the loop.

A role may be mapped at the box, at its purifier, at its supply or, for the room, at any service.
The first of these places that has it is used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from dewline.gas.constants import ATM_PA, ZERO_C_K
from dewline.readings import Quality
from dewline.watch.signals.bucket import LARGEST
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD, Band, SignalState, above_band
from dewline.watch_plan import BoxPlan, Mode, ServicePlan, WatchPlan

# Share of the flow that the bed cleans. Common practice, no source.
BED_EFFICIENCY = 0.95
USUAL_C = 23.0
LEAST_FLOW_SHARE = 0.05  # of the nominal flow: below, the loop stands whatever its bit says
ROOM_ROLES = ("barometer", "room_temperature", "room_humidity")


class Subscribe(Protocol):
    """Has ``update`` called with the watch time when a reading of ``signal`` is outside its band.

    ``band`` gives the values that change nothing here.
    """

    def __call__(
        self,
        signal: SignalState,
        update: Callable[[int], None],
        band: Callable[[SignalState], Band] | None = None,
    ) -> None: ...


def sound(signal: SignalState | None) -> float | None:
    """The good value of a signal, if it can be a measurement at all; else None."""
    value = None if signal is None else signal.usable
    return value if value is not None and -LARGEST <= value <= LARGEST else None


def is_on(signal: SignalState | None) -> bool | None:
    """A switch's state; None where it is not known."""
    value = sound(signal)
    return None if value is None else value > 0.5


def worst(at_ms: int, *signals: SignalState | None) -> Quality:
    """The worst quality of the inputs; an overdue one counts as no answer."""
    found = Quality.GOOD
    for signal in signals:
        if signal is not None:
            overdue = at_ms - signal.alive_ms > signal.stale_ms and signal.quality < FIRST_BAD
            found = max(found, Quality.NO_ANSWER if overdue else signal.quality)
    return found


class BoxFacts:
    """One box: its plan, its signals by role, its modes.

    Flows in m³/h. Where a fact is not measured, what is usual stands in for it, or None.
    """

    def __init__(
        self, box: BoxPlan, plan: WatchPlan, signals: Mapping[str, SignalState], modes: BoxModes
    ) -> None:
        self.box = box
        self.name = box.name
        self.modes = modes
        self.purifier = plan.purifiers.get(box.purifier or "")
        supply = plan.services.get(box.supply or "", ServicePlan(name="", kind="house"))
        self.impurity_ppm = {
            "oxygen": supply.oxygen_impurity_ppm,
            "moisture": supply.moisture_impurity_ppm,
        }
        self._signals = signals
        self._around = [p for p in (box.name, box.purifier, box.supply) if p]
        self._services = list(plan.services)
        self.pressure = self.own("pressure")
        self.temperature = self.own("temperature")
        self.barometer = self.find("barometer")
        self._circulating = self.find("circulating")
        self._flow = self.find("circulation_flow")
        self._speed = self.find("blower_speed")
        self.outlets = {
            "oxygen": self.find("outlet_oxygen"),
            "moisture": self.find("outlet_moisture"),
        }
        self.zero_ppm = {a.role: a.zero_uncertainty_ppm for a in box.analyzers}
        self._share = self._share_of_loop(plan)

    def own(self, role: str) -> SignalState | None:
        """The signal of a role mapped at the box itself."""
        return self._signals.get(f"{self.name}.{role}")

    def find(self, role: str) -> SignalState | None:
        """The signal of a role, from the box outwards."""
        places: Iterable[str] = self._around
        if role in ROOM_ROLES:
            places = (*self._around, *self._services)
        return next((s for p in places if (s := self._signals.get(f"{p}.{role}"))), None)

    def _share_of_loop(self, plan: WatchPlan) -> float:
        """The box's part of a flow measured at the purifier: by volume among its boxes."""
        if self.box.purifier is None or self.own("circulation_flow") is not None:
            return 1.0
        volumes = {b.name: b.volume_m3 or 1.0 for b in plan.boxes.values()
                   if b.purifier == self.box.purifier}  # fmt: skip
        return volumes[self.name] / sum(volumes.values())

    def value(self, signal: SignalState | None, otherwise: float) -> float:
        """The good value of a signal, or ``otherwise``."""
        found = sound(signal)
        return otherwise if found is None else found

    @property
    def pressure_pa(self) -> float:
        """Absolute pressure, Pa: barometer (or the standard one) plus gauge."""
        barometer = self.value(self.barometer, ATM_PA / 100)
        return min(max((barometer + self.value(self.pressure, 0.0)) * 100, 5e4), 1.5e5)

    @property
    def kelvin(self) -> float:
        """Temperature of the box, K."""
        return min(max(self.value(self.temperature, USUAL_C), -40.0), 90.0) + ZERO_C_K

    @property
    def to_standard(self) -> float:
        """Volume at 0 °C, 1013.25 mbar for one at box state."""
        return self.pressure_pa / ATM_PA * ZERO_C_K / self.kelvin

    @property
    def circulating(self) -> bool | None:
        """Whether gas moves through the loop; None where that is not known."""
        flow, nominal = self._measured_flow(), self._nominal
        if flow is not None and nominal is not None and flow <= LEAST_FLOW_SHARE * nominal:
            return False
        on = is_on(self._circulating)
        return (None if flow is None else flow > 0.0) if on is None else on

    @property
    def flow_m3_h(self) -> float | None:
        """Flow of the loop through this box; 0 while it stands, None where it is not known.

        Without a flow meter it is the nominal flow of the purifier times the blower's speed.
        """
        on = self.circulating
        if on is False:
            return 0.0
        flow = self._measured_flow()
        if flow is not None:
            return max(0.0, flow)
        if on is None or self._nominal is None:
            return None
        speed = sound(self._speed)
        return self._nominal * (1.0 if speed is None else min(1.2, max(0.0, speed / 100)))

    @property
    def cleaned_m3_h(self) -> float | None:
        """Flow that the bed cleans: flow times efficiency."""
        flow = self.flow_m3_h
        return None if flow is None else BED_EFFICIENCY * flow

    @property
    def least_flow(self) -> float:
        """Measured flow at or below which the loop stands; 0 where the nominal is not known."""
        return LEAST_FLOW_SHARE * (self._nominal or 0.0) / self._share

    @property
    def _nominal(self) -> float | None:
        if self.purifier is None or self.purifier.flow_m3_h is None:
            return None
        return self.purifier.flow_m3_h * self._share

    def _measured_flow(self) -> float | None:
        flow = sound(self._flow)
        return None if flow is None else flow * self._share

    def in_modes(self, *modes: Mode) -> bool:
        """Whether the box is in any of these modes."""
        return any(mode in self.modes.since for mode in modes)


def flow_band(signal: SignalState, facts: BoxFacts) -> Band:
    """The flows for which the loop runs, or stands, as it does now."""
    return (1.0, -1.0) if signal.value is None else above_band(signal.value, facts.least_flow)


def switch_band(signal: SignalState) -> Band:
    """The readings of a switch for which it is on, or off, as it is now."""
    return (1.0, -1.0) if signal.value is None else above_band(signal.value, 0.5)
