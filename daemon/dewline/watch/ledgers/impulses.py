"""What an impulse shows: that the sensor responds, how fast the bed cleans, an unseen transfer.

Each sensor is proven by its own gas only: 60 mL of room air give 10 ppm of oxygen, but 0.7 ppm
of water. Clean-up is given as the time to a tenth and as a share of the box's own best, never as
an efficiency of the bed, because mixing, flow and sensor are in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from dewline.watch.ledgers.chamber import PumpDown
from dewline.watch.ledgers.impulse import LEAST_PPM, Impulse
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts

PROOF_TIMES_LEAST = 3.0  # this many times the least excess is a response
CLEAN_UP_FROM_PPM = 1.0
UNSEEN_FROM_CM3 = 3.0  # less comes from hands and gloves
UNSEEN_WITHIN_MS = 5 * 60_000
KEPT = 60  # figures of the past, the best one among them however old it is
# Notes after which an own best is a new one: a pump with new oil; a loop with a new filter, a
# sensor with a new cell.
NEW_PUMP = ("pump-oil",)
NEW_CLEAN_UP = ("filter", "cell")
SLOWER_COUNTS = 0.87  # of the usual pace; a smaller difference is scatter

By = Literal["transfer", "purge", "opening"]


class ImpulseBook(Kept):
    """One box: rows of sensor responses, clean-ups and unseen transfers.

    ``proven_ms``: by gas when its sensor last responded. ``clean_up_s``: time to a tenth of the
    last clean-up. ``_tenths``: of the clean-ups since the last note of ``NEW_CLEAN_UP``, s;
    ``_times``: the same in units of V/(eta Q), which do not depend on the flow.
    """

    _tenths: list[float]
    _times: list[float]
    proven_ms: dict[str, int]
    clean_up_s: float | None = None

    def __init__(self, facts: BoxFacts, rows: RowBook) -> None:
        self._facts, self._rows = facts, rows
        self._tenths = []
        self._times = []
        self.proven_ms = {}

    @property
    def best_s(self) -> float | None:
        """The shortest time to a tenth since the last note of ``NEW_CLEAN_UP``."""
        return min(self._tenths, default=None)

    def note(self, kind: str) -> None:
        """Begin the own best anew after a note of ``NEW_CLEAN_UP``."""
        if kind in NEW_CLEAN_UP:
            self._tenths, self._times = [], []

    def without_slip(self, impulse: Impulse) -> Impulse:
        """The impulse with its true dose, where a bed that lets some pass made its area greater.

        The share that the bed still takes up is the pace of this clean-up over the pace of the
        quickest quarter of this box's clean-ups; what mixing and sensor hide is not in it.
        """
        times = impulse.tenth_times
        if impulse.role != "oxygen" or times is None or impulse.dose_cm3 is None or not self._times:
            return impulse
        share = sorted(self._times)[len(self._times) // 4] / times
        if share > SLOWER_COUNTS:
            return impulse
        return impulse._replace(dose_cm3=impulse.dose_cm3 * share)

    def record(self, impulse: Impulse, by: By | None, expected_cm3: float | None) -> None:
        """Write the rows of an impulse that is over.

        ``by``: what brought it, None where that is not known. ``expected_cm3``: oxygen that a
        transfer brought, at 0 °C and 1013.25 mbar.
        """
        if impulse.peak_ppm >= PROOF_TIMES_LEAST * LEAST_PPM[impulse.role] and impulse.steep:
            self._answered(impulse, by)
        elif impulse.role == "oxygen" and self._should_have_shown(expected_cm3):
            self._no_answer(impulse, expected_cm3)
        if impulse.role == "oxygen" and not impulse.isolated and impulse.tenth_s is not None:
            sound = by != "purge" and not impulse.at_least
            if impulse.peak_ppm >= CLEAN_UP_FROM_PPM and sound:
                self._cleaned_up(impulse, impulse.tenth_s, by)
            if by is None:
                self._unseen(impulse)

    def _should_have_shown(self, expected_cm3: float | None) -> bool:
        volume = self._facts.box.volume_m3
        if expected_cm3 is None or volume is None:
            return False
        # A tenth of the fully mixed level, because the bed cleans while the gas mixes.
        return 0.1 * expected_cm3 / volume >= PROOF_TIMES_LEAST * LEAST_PPM["oxygen"]

    def _answered(self, impulse: Impulse, by: By | None) -> None:
        """Record that a sensor answered a dose. ``rise_s``: of box and sensor together."""
        self.proven_ms[impulse.role] = impulse.peak_ms
        document = {
            "gas": impulse.role,
            "answered": True,
            "by": by or "impulse",
            "rise_ppm": impulse.peak_ppm,
            "rise_s": (impulse.peak_ms - impulse.started_ms) / 1000,
            "fall_to_tenth_s": impulse.tenth_s,
        }
        self._write("sensor-response", impulse, document)

    def _no_answer(self, impulse: Impulse, expected_cm3: float | None) -> None:
        document = {
            "gas": impulse.role,
            "answered": False,
            "by": "transfer",
            "rise_ppm": impulse.peak_ppm,
            "expected_cm3": expected_cm3,
        }
        self._write("sensor-response", impulse, document)

    def _cleaned_up(self, impulse: Impulse, tenth_s: float, by: By | None) -> None:
        self._tenths = _with(self._tenths, tenth_s)
        if impulse.tenth_times is not None:
            self._times = _with(self._times, impulse.tenth_times)
        self.clean_up_s = tenth_s
        document = {
            "gas": impulse.role,
            "by": by or "impulse",
            "from_ppm": impulse.baseline_ppm + impulse.peak_ppm,
            "to_tenth_s": tenth_s,
            "share_of_best": min(self._tenths) / tenth_s if tenth_s else None,
            "dose_cm3": impulse.dose_cm3,
        }
        self._write("clean-up", impulse, document)

    def _unseen(self, impulse: Impulse) -> None:
        """Record a dose that came at once, decayed at the bed's pace, and no door explains."""
        quick = impulse.peak_ms - impulse.started_ms <= UNSEEN_WITHIN_MS
        if not (quick and impulse.settled and (impulse.dose_cm3 or 0.0) >= UNSEEN_FROM_CM3):
            return
        document = {
            "antechamber": None,
            "direction": "unseen",
            "cycles": None,
            "residual_ppm": None,
            "clean": None,
            "expected_cm3": None,
            "seen_cm3": impulse.dose_cm3,
            "peak_ppm": impulse.peak_ppm,
            "at_least": impulse.at_least,
        }
        self._write("transfer", impulse, document)

    def _write(self, kind: str, impulse: Impulse, document: Mapping[str, object]) -> None:
        self._rows.close(self._facts.name, kind, impulse.started_ms, impulse.ended_ms, document)


class PumpDowns(Kept):
    """Ageing of a pump: every pump-down of one chamber beside the best since its oil was changed.

    ``_taus``: time constants, s; ``_floors``: lowest pressures, mbar; of each the best is among
    them however old it is, since a best of the last ones would age with the pump.
    """

    _taus: list[float]
    _floors: list[float]

    def __init__(self, box: str, chamber: str, rows: RowBook) -> None:
        self._box, self._chamber, self._rows = box, chamber, rows
        self._taus = []
        self._floors = []

    def note(self, kind: str) -> None:
        """Begin the own best anew after a note of ``NEW_PUMP``."""
        if kind in NEW_PUMP:
            self._taus, self._floors = [], []

    def record(self, done: PumpDown) -> None:
        """Write the row of a pump-down that is over.

        The share of the best is by time constant; the row has it only where that is known.
        """
        tau = done.time_constant_s
        if tau is not None:
            self._taus = _with(self._taus, tau)
        self._floors = _with(self._floors, done.floor_mbar)
        document = {
            "antechamber": self._chamber,
            "floor_mbar": done.floor_mbar,
            "best_floor_mbar": min(self._floors),
            "reached_s": done.reached_s,
            "time_constant_s": tau,
            "share_of_best": None if not tau else min(self._taus) / tau,
        }
        self._rows.close(self._box, "pump-down", done.started_at_ms, done.ended_at_ms, document)


def _with(figures: list[float], new: float) -> list[float]:
    """The last figures and a new one; of too many the oldest goes that is not the smallest."""
    kept = [*figures, new]
    if len(kept) > KEPT:
        del kept[1 if kept[0] == min(kept) else 0]
    return kept
