"""Pressure held by a fill and a relief valve; purge, foot pedal, bubbler. All need gas or power.

Fill opens below the low setpoint, relief above the high one; both close at the
target between them. A fill is throttled at first and goes over to full flow
when it has not helped for ten seconds or the box is far down.
"""

from __future__ import annotations

import math
from typing import Final, Literal

from dewline_sim.physics.gas_space import GasSpace
from dewline_sim.physics.spec import BoxSpec

Stuck = Literal["open", "shut", "no"]

_PATIENCE_S: Final = 10.0
_FAR_DOWN_PA: Final = 400.0
_EXTRACT_PA: Final = 2000.0  # a band below ambient is held by an extract line
_PURGE_TAU_S: Final = 2.0
_LITRE_MIN: Final = 1e-3 / 60.0


class Valves:
    """The box's pressure control; ``decide`` gives what flows in a step.

    Setpoints in gauge Pa, flows in L/min at box conditions. A valve that is stuck
    ignores its setpoint.
    """

    def __init__(self, spec: BoxSpec) -> None:
        self._spec = spec
        self.low_pa, self.high_pa, self.target_pa = _band_pa(
            spec.low_mbar, spec.high_mbar, spec.target_mbar
        )
        self.fill_open = self.relief_open = False
        self.fill_stuck: Stuck = "no"
        self.relief_stuck: Stuck = "no"
        self.held_shut = False  # control switched off, both valves shut
        self.purge_l_min = 0.0
        self.pedal_add_s = self.pedal_remove_s = 0.0
        self.fill_l_min = 0.0  # shown: flow of the last step
        self._open_s = 0.0

    def set_band(self, low_mbar: float, high_mbar: float, target_mbar: float | None) -> None:
        """New setpoints in gauge mbar; the target defaults to the middle.

        Raises ValueError where ``low_mbar`` is not below ``high_mbar``.
        """
        self.low_pa, self.high_pa, self.target_pa = _band_pa(low_mbar, high_mbar, target_mbar)

    def decide(self, box: GasSpace, dt: float) -> tuple[float, float]:
        """(mol in from the supply, mol out to the exhaust) during ``dt`` s.

        Fill, relief, purge and pedal need gas to move their valves, and power;
        the bubbler needs neither. During a purge the relief also brings the
        pressure back to the target, with a time constant of 2 s.
        """
        alive = box.powered and box.valve_supply.moves_valves
        n = box.mol
        fill = self._fill(box, alive, n, dt)
        out = self._relief(box, alive, n, dt) + self._bubble(box, dt)
        if self.purge_l_min and alive:
            purge = self._mol(box, self.purge_l_min, dt) * box.supply.push
            back = (n - box.mol_at(self.target_pa)) * -math.expm1(-dt / _PURGE_TAU_S)
            out += max(0.0, purge + back)
            fill += purge
        if self.pedal_add_s > 0.0 and alive:
            fill += self._mol(box, self._spec.fast_fill_l_min, dt) * box.supply.push
        if self.pedal_remove_s > 0.0 and box.powered:
            out += self._mol(box, 100.0, dt)
        self.pedal_add_s = max(0.0, self.pedal_add_s - dt)
        self.pedal_remove_s = max(0.0, self.pedal_remove_s - dt)
        self.fill_l_min = fill / (box.density * dt * _LITRE_MIN)
        return fill, out

    def _mol(self, box: GasSpace, l_min: float, dt: float) -> float:
        return l_min * _LITRE_MIN * box.density * dt

    def _fill(self, box: GasSpace, alive: bool, n: float, dt: float) -> float:
        if self.fill_stuck == "shut" or self.held_shut or not alive:
            self.fill_open = False
        elif self.fill_stuck == "open":
            self.fill_open = True
        elif not self.fill_open and box.gauge_pa < self.low_pa:
            self.fill_open, self._open_s = True, 0.0
        if not self.fill_open:
            return 0.0
        fast = self._open_s >= _PATIENCE_S or box.gauge_pa < self.low_pa - _FAR_DOWN_PA
        self._open_s += dt
        spec = self._spec
        mol = self._mol(box, spec.fast_fill_l_min if fast else spec.fill_l_min, dt)
        mol *= box.supply.push
        if self.fill_stuck == "open":
            return mol
        need = box.mol_at(self.target_pa) - n
        if mol >= need:
            self.fill_open = False
            return max(0.0, need)
        return mol

    def _relief(self, box: GasSpace, alive: bool, n: float, dt: float) -> float:
        if self.relief_stuck == "shut" or self.held_shut or not alive:
            self.relief_open = False
        elif self.relief_stuck == "open" or (not self.relief_open and box.gauge_pa > self.high_pa):
            self.relief_open = True
        if not self.relief_open:
            return 0.0
        pull_pa = box.gauge_pa + (_EXTRACT_PA if self.high_pa <= 0.0 else 0.0)
        mol = self._mol(box, self._spec.relief_l_min, dt) * math.sqrt(max(0.0, pull_pa) / 300.0)
        over = n - box.mol_at(0.0 if self.relief_stuck == "open" else self.target_pa)
        if mol >= over:
            self.relief_open = self.relief_stuck == "open"
            return max(0.0, over)
        return mol

    def _bubble(self, box: GasSpace, dt: float) -> float:
        """The liquid-sealed overflow: needs neither gas nor power."""
        over_pa = box.gauge_pa - self._spec.bubbler_mbar * 100.0
        if over_pa <= 0.0:
            return 0.0
        limit = box.give_m3_pa() * over_pa * box.density
        return min(limit, self._mol(box, 300.0, dt) * math.sqrt(over_pa / 300.0))


def _band_pa(
    low_mbar: float, high_mbar: float, target_mbar: float | None
) -> tuple[float, float, float]:
    if not low_mbar < high_mbar:
        raise ValueError(f"low {low_mbar} mbar must be below high {high_mbar} mbar")
    target = (low_mbar + high_mbar) / 2.0 if target_mbar is None else target_mbar
    return low_mbar * 100, high_mbar * 100, target * 100
