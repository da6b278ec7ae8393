"""What an impulse tells: of the sensor (it lives), of the bed (how fast it cleans), of a door.

Proof differs by gas: 60 mL of room air give 10 ppm of oxygen but 0.7 ppm of
water, so each sensor is proven by its own gas only. Clean-up is told as time to
a tenth and as a share of the box's own best, never as an efficiency of the bed:
mixing, flow and sensor are in it.
"""

from __future__ import annotations

from typing import Any

from dewline.watch.derived.excess import LEAST_PPM, Impulse
from dewline.watch.derived.facts import BoxFacts
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept

PROOF_TIMES_LEAST = 3.0  # this many times the least excess is a response
CLEAN_UP_FROM_PPM = 1.0
UNSEEN_FROM_CM3 = 3.0  # less is hands and gloves
UNSEEN_WITHIN_MS = 5 * 60_000
MISSED_SHARE = 0.2  # of an expected peak: below, the sensor did not answer
BEST_OF = 60
SLOWER_COUNTS = 0.87  # of the usual pace: nearer to it is scatter


class ImpulseBook(Kept):
    """One box: sensor-response, clean-up and unseen transfers."""

    KEPT = ("_tenths", "_times", "proven_ms", "clean_up_s", "_missed")

    def __init__(self, facts: BoxFacts, rows: RowBook) -> None:
        self._facts, self._rows = facts, rows
        self._tenths: list[float] = []  # of past clean-ups, s
        self._times: list[float] = []  # the same in V/(eta Q), whatever the flow was
        self.proven_ms: dict[str, int] = {}  # gas -> when its sensor last answered
        self.clean_up_s: float | None = None
        self._missed: dict[str, int] = {}

    @property
    def best_s(self) -> float | None:
        return min(self._tenths, default=None)

    def without_slip(self, impulse: Impulse) -> Impulse:
        """The dose that came in, where a bed that lets some pass made its area bigger.

        The share that the bed still takes is how much quicker a dose went in this
        box's quicker quarter of clean-ups; what mixing and sensor hide is not in it.
        """
        times = impulse.tenth_times
        if impulse.role != "oxygen" or times is None or impulse.dose_cm3 is None or not self._times:
            return impulse
        share = sorted(self._times)[len(self._times) // 4] / times
        if share > SLOWER_COUNTS:
            return impulse
        return impulse._replace(dose_cm3=impulse.dose_cm3 * share)

    def take(self, impulse: Impulse, by: str | None, expected_cm3: float | None) -> None:
        """An impulse that is over. ``by``: transfer, purge, opening; None where nothing tells."""
        if impulse.peak_ppm >= PROOF_TIMES_LEAST * LEAST_PPM[impulse.role] and impulse.steep:
            self._answered(impulse, by)
        elif impulse.role == "oxygen" and self._should_have_shown(expected_cm3):
            self._no_answer(impulse, expected_cm3)
        if impulse.role == "oxygen" and not impulse.isolated and impulse.tenth_s is not None:
            sound = by != "purge" and not impulse.at_least
            if impulse.peak_ppm >= CLEAN_UP_FROM_PPM and sound:
                self._cleaned_up(impulse, by)
            if by is None:
                self._unseen(impulse)

    def _should_have_shown(self, expected_cm3: float | None) -> bool:
        volume = self._facts.box.volume_m3
        if expected_cm3 is None or volume is None:
            return False
        # A tenth of the mixed level, because the bed works while it mixes.
        return 0.1 * expected_cm3 / volume >= PROOF_TIMES_LEAST * LEAST_PPM["oxygen"]

    def _answered(self, impulse: Impulse, by: str | None) -> None:
        self.proven_ms[impulse.role] = impulse.peak_ms
        self._missed.pop(impulse.role, None)
        self._write(
            "sensor-response",
            impulse,
            {
                "gas": impulse.role,
                "answered": True,
                "by": by or "impulse",
                "rise_ppm": impulse.peak_ppm,
                # Of box and sensor together: the sensor alone is no slower than this.
                "rise_s": (impulse.peak_ms - impulse.started_ms) / 1000,
                "fall_to_tenth_s": impulse.tenth_s,
            },
        )

    def _no_answer(self, impulse: Impulse, expected_cm3: float | None) -> None:
        self._missed[impulse.role] = impulse.started_ms
        document = {
            "gas": impulse.role,
            "answered": False,
            "by": "transfer",
            "rise_ppm": impulse.peak_ppm,
            "expected_cm3": expected_cm3,
        }
        self._write("sensor-response", impulse, document)

    def _cleaned_up(self, impulse: Impulse, by: str | None) -> None:
        tenth_s = impulse.tenth_s
        assert tenth_s is not None
        self._tenths = [*self._tenths, tenth_s][-BEST_OF:]
        if impulse.tenth_times is not None:
            self._times = [*self._times, impulse.tenth_times][-BEST_OF:]
        self.clean_up_s = tenth_s
        best_s = self.best_s
        self._write(
            "clean-up",
            impulse,
            {
                "gas": impulse.role,
                "by": by or "impulse",
                "from_ppm": impulse.baseline_ppm + impulse.peak_ppm,
                "to_tenth_s": tenth_s,
                "share_of_best": None if not tenth_s or best_s is None else best_s / tenth_s,
                "dose_cm3": impulse.dose_cm3,
            },
        )

    def _unseen(self, impulse: Impulse) -> None:
        """Came at once, went with the bed's pace, and no door tells why."""
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

    def _write(self, kind: str, impulse: Impulse, document: dict[str, Any]) -> None:
        self._rows.close(self._facts.name, kind, impulse.started_ms, impulse.ended_ms, document)


class PumpDowns(Kept):
    """Pump ageing: every pump-down of a chamber against its own best."""

    KEPT = ("_taus", "_floors")

    def __init__(self, box: str, chamber: str, rows: RowBook) -> None:
        self._box, self._chamber, self._rows = box, chamber, rows
        self._taus: list[float] = []
        self._floors: list[float] = []

    def take(self, found: list[dict[str, Any]]) -> None:
        """Write down those just done."""
        for one in found:
            tau, floor = one["time_constant_s"], one["floor_mbar"]
            if tau is not None:
                self._taus = [*self._taus, tau][-BEST_OF:]
            self._floors = [*self._floors, floor][-BEST_OF:]
            document = {
                "antechamber": self._chamber,
                "floor_mbar": floor,
                "best_floor_mbar": min(self._floors),
                "reached_s": one["reached_s"],
                "time_constant_s": tau,
                "share_of_best": None if not tau else min(self._taus) / tau,
            }
            self._rows.close(
                self._box, "pump-down", one["started_at_ms"], one["ended_at_ms"], document
            )
