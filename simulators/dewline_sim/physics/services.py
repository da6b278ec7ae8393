"""What several boxes draw on: gas supplies, the vacuum pump, cooling water, mains."""

from __future__ import annotations

import math
from typing import Final

from dewline_sim.physics.mixture import (
    AR,
    H2O,
    LITRE_MOL,
    N2,
    O2,
    ZERO_C,
    Ledger,
    Mixture,
    R,
    add,
    empty,
)  # fmt: skip
from dewline_sim.physics.ramp import Ramp
from dewline_sim.physics.spec import PumpSpec, SupplySpec

_CHANGEOVER_BAR: Final = 8.0


class Supply:
    """House line, cylinders or a liquid vessel. Delivers gas of its own purity.

    Pressures in bar gauge; ``cylinders`` and the vessel in mol, flow in L/min at
    0 degC and 1013.25 mbar.
    """

    def __init__(self, spec: SupplySpec) -> None:
        self.spec = spec
        self.line_bar = Ramp(spec.pressure_bar)
        self.oxygen_ppm = Ramp(spec.oxygen_ppm)
        self.moisture_ppm = Ramp(spec.moisture_ppm)
        self.nitrogen_ppm = Ramp(spec.nitrogen_ppm)
        self.shares = empty()
        self.hose = empty()  # air left in a newly connected hose, delivered first
        full_mol = spec.cylinder_bar * 1e5 * spec.cylinder_l * 1e-3 / (R * (ZERO_C + 23.0))
        self._full_mol = full_mol
        self.cylinders = [full_mol] * spec.cylinders if spec.kind == "cylinder" else []
        self._liquid_mol = spec.liquid_l * 646.0 * LITRE_MOL  # litres of gas in one of liquid
        self._vessel_mol = self._liquid_mol
        self.pressure_bar = spec.pressure_bar
        self.flow_l_min = 0.0
        self._drawn_mol = 0.0
        self.update(0.0, 1.0)

    def update(self, now_s: float, dt: float) -> None:
        """Bring pressure, purity and the flow of the last ``dt`` s up to date.

        The pressure drops by 0.8 mbar for each L/min that is drawn.
        """
        self.flow_l_min = self._drawn_mol / dt / LITRE_MOL * 60.0
        self._drawn_mol = 0.0
        self.pressure_bar = max(0.0, self._pressure(now_s) - 0.0008 * self.flow_l_min)
        oxygen = self.oxygen_ppm.at(now_s) * 1e-6
        water = self.moisture_ppm.at(now_s) * 1e-6
        nitrogen = self.nitrogen_ppm.at(now_s) * 1e-6 if self.spec.gas == "argon" else 0.0
        main = AR if self.spec.gas == "argon" else N2
        self.shares = empty()
        self.shares[O2], self.shares[H2O], self.shares[N2] = oxygen, water, nitrogen
        self.shares[main] = 1.0 - oxygen - water - nitrogen

    def _pressure(self, now_s: float) -> float:
        line = self.line_bar.at(now_s)
        if self.spec.kind == "cylinder":
            return min(line, self.cylinder_bar(self._active()))
        if self.spec.kind == "liquid":  # holds its pressure until it is empty
            return min(line, line * self._vessel_mol / (0.004 * self._liquid_mol))
        return line

    def _active(self) -> int:
        """The first cylinder above change-over, else the fullest."""
        for i in range(len(self.cylinders)):
            if self.cylinder_bar(i) > _CHANGEOVER_BAR:
                return i
        return max(range(len(self.cylinders)), key=self.cylinders.__getitem__)

    def cylinder_bar(self, i: int) -> float:
        """Pressure of the cylinder with this index, bar gauge."""
        return self.spec.cylinder_bar * self.cylinders[i] / self._full_mol

    @property
    def level_percent(self) -> float:
        """What is left, of all cylinders or the vessel; 100 for a house line."""
        if self.spec.kind == "cylinder":
            return 100.0 * sum(self.cylinders) / (self._full_mol * len(self.cylinders))
        return 100.0 * self._vessel_mol / self._liquid_mol

    @property
    def push(self) -> float:
        """Flow it can give over that at nominal pressure: choked, so by absolute pressure."""
        if self.pressure_bar < 0.05:
            return 0.0
        return (self.pressure_bar + 1.0) / (self.spec.pressure_bar + 1.0)

    @property
    def moves_valves(self) -> bool:
        """Whether its pressure suffices for pneumatic valves."""
        return self.pressure_bar >= self.spec.valve_minimum_bar

    def deliver(self, target: Mixture, ledger: Ledger, mol: float) -> None:
        """Deliver ``mol`` of gas; air in the hose goes first.

        Drawn from the active cylinder or the vessel; all of it is written in
        ``ledger`` as come in from outside.
        """
        self._drawn_mol += mol
        if self.cylinders:
            i = self._active()
            self.cylinders[i] = max(0.0, self.cylinders[i] - mol)
        elif self.spec.kind == "liquid":
            self._vessel_mol = max(0.0, self._vessel_mol - mol)
        waiting = sum(self.hose)
        if waiting > 0.0:
            first = min(waiting, mol)
            add(target, ledger.came, [x / waiting for x in self.hose], first)
            self.hose = [x * (1.0 - first / waiting) for x in self.hose]
            mol -= first
        add(target, ledger.came, self.shares, mol)

    def set_level(self, share: float) -> None:
        """How full all cylinders or the vessel are, 0-1."""
        self.cylinders = [self._full_mol * share for _ in self.cylinders]
        self._vessel_mol = self._liquid_mol * share

    def change(self, hose_air_mol: float, air: Mixture) -> None:
        """Put a full cylinder in the place of the emptiest (or fill the vessel)."""
        if self.cylinders:
            worst = min(range(len(self.cylinders)), key=self.cylinders.__getitem__)
            self.cylinders[worst] = self._full_mol
        self._vessel_mol = self._liquid_mol
        self.hose = [
            have + share * hose_air_mol for have, share in zip(self.hose, air, strict=True)
        ]


class VacuumPump:
    """The pump behind all antechambers. Base pressure grows with age; speed is shared."""

    def __init__(self, spec: PumpSpec) -> None:
        self.spec = spec
        self.age = Ramp(1.0)  # base pressure over that of the day it was new
        self.base_pa = spec.base_mbar * 100.0
        self.on = False
        self.users = 0
        self.run_h = 0.0
        self.foreline_pa = self.base_pa

    def update(self, now_s: float, dt: float, mains: bool) -> None:
        """Base pressure, running hours and the foreline after ``dt`` s.

        The pump runs while a chamber is being evacuated and there are mains;
        otherwise the foreline fills up at 50 Pa/s.
        """
        self.base_pa = self.spec.base_mbar * 100.0 * self.age.at(now_s)
        self.on = mains and self.users > 0
        self.run_h += dt / 3600.0 if self.on else 0.0
        if not self.on:
            self.foreline_pa = min(101325.0, self.foreline_pa + 50.0 * dt)

    @property
    def speed_share(self) -> float:
        """Part of its own pumping speed a chamber gets; an old pump is slower too."""
        worn = math.sqrt(math.sqrt(self.base_pa / (self.spec.base_mbar * 100.0)))
        return 1.0 / (max(1, self.users) * worn)


class Cooling:
    """Cooling water of the purifiers."""

    def __init__(self, temperature_c: float, flow_l_min: float) -> None:
        self.temperature_c = Ramp(temperature_c)
        self.flow_l_min = Ramp(flow_l_min)
        self._full_l_min = flow_l_min

    def share(self, now_s: float) -> float:
        """How much of its work it does, 0-1: half the flow still cools fairly well."""
        flow = self.flow_l_min.at(now_s) / self._full_l_min
        cold = (35.0 - self.temperature_c.at(now_s)) / 15.0
        return max(0.0, min(1.0, flow / 0.6)) * max(0.0, min(1.0, cold))
