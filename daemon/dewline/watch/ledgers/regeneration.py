"""Regenerations: steps and durations, and forming gas beside what the oxygen held needs.

The failure that nobody sees is heat and purge without hydrogen: the sieve is dry again, but the
copper stays oxide. So water and oxygen are judged apart. Limits are common practice, no source,
where no other is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import NamedTuple

from dewline.gas.bed import regeneration
from dewline.gas.constants import MOLAR_MASS_G, STANDARD_L_PER_MOL
from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import sound
from dewline.watch.signals.signal_state import SignalState

HOT_C, COOL_C = 120.0, 60.0  # a program gets at least so hot, and ends at most so warm
SHORTEST_S = 4 * 3600.0  # a whole program takes 8 to 24 h
SHARE_OF_OWN = 0.8
USED_MBAR, USED_L = 1000.0, 50.0  # of forming gas; less counts as none
HYDROGEN_SHARE = 0.05
FULL_USE = 1.0


Roles = Mapping[str, Sequence[SignalState]]  # by role every signal that has it, the nearest first


class Verdict(NamedTuple):
    """What a regeneration did to the bed: water driven off, copper reduced."""

    dried: bool
    reduced: bool


class Step(NamedTuple):
    """A step of a program that is over."""

    number: int
    seconds: float


class RegenerationBook(Kept):
    """The regenerations of one purifier. ``since_ms``: start of the one that goes on.

    ``bed``: number of the bed that is regenerated; ``_in_loop_before``: of the one in the loop
    until then. ``_step``: number of the step that goes on, 0 for none, since ``_step_ms``.
    ``_past_s``: durations of whole programs; ``_past_step``: their last step. ``_first_mbar``:
    pressure of the forming gas at the start.
    """

    since_ms: int | None = None
    bed: int = 1
    _steps: list[Step]
    _step: int = 0
    _step_ms: int = 0
    _hottest_c: float | None = None
    _metered_l: float = 0.0
    _first_mbar: float | None = None
    _in_loop_s: float = 0.0
    _past_s: list[float]
    _last_ms: int = 0
    _in_loop_before: int = 1
    _past_step: int = 0

    def __init__(self, place: str, beds: int, roles: Roles, rows: RowBook) -> None:
        self._place, self._beds, self._rows = place, beds, rows
        self._roles = roles
        self._past_s = []
        self._steps = []

    def listened(self) -> Iterable[SignalState]:
        """The signals whose changes call ``update``."""
        roles = ("regenerating", "regeneration_step", "bed_in_loop")
        return [signal for role in roles for signal in self._roles[role]]

    def value(self, role: str) -> float | None:
        """The good value of a role, from the purifier's own signal or else a box's panel."""
        return next((v for s in self._roles[role] if (v := sound(s)) is not None), None)

    def update(self, at_ms: int, oxygen_l: float) -> Verdict | None:
        """The bit, the step or the bed in the loop may have changed.

        ``oxygen_l``: oxygen that the bed holds. Gives the verdict when a regeneration is over.
        """
        bit = self.value("regenerating")
        on = None if bit is None else bit > 0.5
        if on and self.since_ms is None:
            self._begin(at_ms)
        elif on is False and self.since_ms is not None:
            return self._end(at_ms, oxygen_l)
        loop = self.value("bed_in_loop")
        if self.since_ms is None and loop:
            self._in_loop_before = round(loop)
        if self.since_ms is not None:
            self._update_step(at_ms)
        return None

    def minute(self, at_ms: int) -> None:
        """Every minute: note temperature, forming gas and the bed in the loop.

        While another bed is in the loop, the temperature shown is that one's and is left out.
        """
        if self.since_ms is None:
            return
        seconds = min(60.0, (at_ms - self._last_ms) / 1000)
        self._last_ms = at_ms
        celsius, flow = self.value("bed_temperature"), self.value("forming_gas_flow")
        loop = self.value("bed_in_loop")
        other = loop is not None and round(loop) not in (0, self.bed)
        if celsius is not None and not other:
            self._hottest_c = max(self._hottest_c or -273.15, celsius)
        if flow is not None:
            self._metered_l += max(0.0, flow) * seconds / 60
        if loop is not None and round(loop) == self.bed:
            self._in_loop_s += seconds

    def reset(self, at_ms: int, oxygen_l: float) -> None:
        """After a gap: end what went on, as broken off where the watching ended."""
        if self.since_ms is not None:
            self._end(at_ms, oxygen_l, broken_off=True)

    def open_row(self) -> OpenRow | None:
        """The regeneration that goes on."""
        if self.since_ms is None:
            return None
        document = {"bed": self.bed, "step": self._step, "hottest_c": self._hottest_c}
        return OpenRow(self._place, "regeneration", self.since_ms, document)

    def _begin(self, at_ms: int) -> None:
        self.since_ms = self._last_ms = self._step_ms = at_ms
        self._step, self._steps, self._hottest_c = 0, [], None
        self._metered_l = self._in_loop_s = 0.0
        self._first_mbar = self.value("forming_gas_pressure")
        # With two beds, the one that was in the loop until now is regenerated.
        self.bed = self._in_loop_before if self._beds > 1 else 1

    def _update_step(self, at_ms: int) -> None:
        step = self.value("regeneration_step")
        if step is None or round(step) == self._step:
            return
        self._leave_step(at_ms)
        self._step, self._step_ms = round(step), at_ms

    def _leave_step(self, at_ms: int) -> None:
        if self._step:
            self._steps.append(Step(self._step, (at_ms - self._step_ms) / 1000))

    def _end(self, at_ms: int, oxygen_l: float, *, broken_off: bool = False) -> Verdict:
        """Write the row, and judge what the regeneration did to the bed.

        ``complete``: it ran to its end, None where that is not known; ``why``: how that is known.
        ``hydrogen``: forming gas was used. ``enough``: as much as the oxygen held needs.
        ``same_bed_in_loop_s``: how long the bed was in the loop meanwhile. ``share_of_own``: of
        the usual duration.
        """
        since_ms, self.since_ms = self.since_ms or at_ms, None
        self._leave_step(at_ms)
        seconds = (at_ms - since_ms) / 1000
        complete, why = (False, "not watched to its end") if broken_off else self._complete(seconds)
        drop = self._drop_mbar()
        hydrogen = self._hydrogen(drop)
        document = {
            "bed": self.bed,
            "seconds": seconds,
            "steps": [{"step": s.number, "seconds": s.seconds} for s in self._steps],
            "hottest_c": self._hottest_c,
            "complete": complete,
            "why": why,
            "forming_gas_l": self._metered_l if self._metered else None,
            "forming_gas_drop_mbar": drop,
            "hydrogen": hydrogen,
            "oxygen_held_l": oxygen_l,
            "needed_l": _needed_l(oxygen_l),
            "enough": self._enough(oxygen_l),
            "same_bed_in_loop_s": self._in_loop_s,
            "share_of_own": seconds / median(self._past_s) if self._past_s else None,
        }
        self._rows.close(self._place, "regeneration", since_ms, at_ms, document)
        if complete:
            self._past_s = [*self._past_s, seconds][-10:]
            self._past_step = max(self._past_step, self._step)
        heated = self._hottest_c is None or self._hottest_c >= HOT_C
        self._step = 0
        return Verdict(
            complete is not False and heated, complete is not False and hydrogen is not False
        )

    def _complete(self, seconds: float) -> tuple[bool | None, str]:
        """Whether it ran to its end, and how that is known; the first doubt that holds decides."""
        last = self._steps[-1].number if self._steps else 0
        highest = max([self._past_step, *(step.number for step in self._steps)])
        hottest, own_s = self._hottest_c, median(self._past_s) if self._past_s else None
        now_c = self.value("bed_temperature")
        doubts = (
            (hottest is not None and hottest < HOT_C, f"never hotter than {hottest or 0:.0f} degC"),
            (own_s is not None and seconds < SHARE_OF_OWN * own_s, "shorter than its own programs"),
            (last < highest, f"ended in step {last} of {highest}"),
            (own_s is None and seconds < SHORTEST_S, "shorter than a program takes"),
            (now_c is not None and now_c > COOL_C, "ended hot"),
        )
        for doubted, why in doubts:
            if doubted:
                return False, why
        if own_s is None and not last and hottest is None:
            return None, "no step and no temperature tells"
        return True, "ran to its end"

    @property
    def _metered(self) -> bool:
        return bool(self._roles["forming_gas_flow"])

    def _drop_mbar(self) -> float | None:
        now = self.value("forming_gas_pressure")
        return None if now is None or self._first_mbar is None else self._first_mbar - now

    def _hydrogen(self, drop_mbar: float | None) -> bool | None:
        """Whether forming gas was used; None where neither flow nor pressure is measured."""
        if self._metered:
            return self._metered_l > USED_L
        return None if drop_mbar is None else drop_mbar > USED_MBAR

    def _enough(self, oxygen_l: float) -> bool | None:
        """Whether at least the stoichiometric amount was used; None without a meter."""
        if not self._metered:
            return None
        return self._metered_l >= _needed_l(oxygen_l)


def _needed_l(oxygen_l: float) -> float:
    """Forming gas, L at 0 °C, that the oxygen held needs if all of its hydrogen is used."""
    grams = max(0.0, oxygen_l) / STANDARD_L_PER_MOL * MOLAR_MASS_G["oxygen"]
    return regeneration(grams, HYDROGEN_SHARE, FULL_USE).forming_gas_l
