"""Transfers through one antechamber: what was done, how clean it was, what came in.

Dirty is a chamber whose outer door was open (or whose past is not known).
Clean enough is residual OR time under vacuum: a night at 0.1 mbar is one
cycle only, yet nobody need be woken for it. Taking things out of a clean
chamber needs no cycles.
"""

from __future__ import annotations

from typing import Any

from dewline.gas.antechamber import dose_m3
from dewline.watch.derived.bucket import Run
from dewline.watch.derived.excess import Impulse
from dewline.watch.derived.facts import BoxFacts, is_on, sound
from dewline.watch.ledgers.chamber import Chamber
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept

# Residual oxygen, or time under vacuum, with which a chamber passes. Common practice, no source.
CLEAN_BELOW_PPM = 50.0
CLEAN_AFTER_S = 4 * 3600.0
LONGEST_MS = 36 * 3_600_000
IDLE_MS = 30 * 60_000
ROLES = ("oxygen", "moisture")


class TransferBook(Kept):
    """Opens a row at the first move of a chamber, closes it when its dose is told."""

    KEPT = (
        "chamber", "open", "_started_ms", "_direction", "_opened_ms", "_closed_ms", "_moved_ms",
        "_document", "_doses", "_awaits", "_outer", "_inner", "_refilling", "_evacuating",
    )  # fmt: skip

    def __init__(self, chamber: Chamber, rows: RowBook) -> None:
        self.chamber, self._rows = chamber, rows
        self._facts: BoxFacts = chamber.facts
        self.open = False
        self._outer: bool | None = None
        self._inner: bool | None = None
        self._refilling: bool | None = None
        self._evacuating: bool | None = None
        self._reset(0, "in")
        self.open = False

    def waits_for(self, role: str) -> bool:
        """The inner door was opened and shut: an excess that ends now belongs to this row."""
        return self.open and role in self._awaits and not self.inner_open

    @property
    def expected_cm3(self) -> float | None:
        """Oxygen that came with the chamber's gas, at 0 °C, 1013.25 mbar."""
        expected: float | None = self._document.get("expected_cm3")
        return expected

    @property
    def inner_open(self) -> bool:
        return self._inner is True

    def hear(self, at_ms: int) -> tuple[bool, bool]:
        """A valve or a door changed; says whether the inner door just opened, just closed."""
        chamber = self.chamber
        if (run := chamber.bucket.drain(at_ms)) is not None:
            self.run(at_ms, run)
        chamber.pumping = is_on(chamber.evacuating)
        outer, inner = is_on(chamber.outer), is_on(chamber.inner)
        refilling, evacuating = is_on(chamber.refilling), is_on(chamber.evacuating)
        if evacuating and self._evacuating is False:
            self._move(at_ms, "in")
        if refilling is False and self._refilling:
            chamber.valve_cycle()
            self._moved_ms = at_ms
        if outer is not None and outer != self._outer:
            self._hear_outer(at_ms, outer)
        opened, closed = (
            bool(inner and self._inner is False),
            inner is False and self._inner is True,
        )
        if opened:
            self._inner_opened(at_ms)
        if closed:
            self._inner_closed(at_ms)
        self._outer = self._outer if outer is None else outer
        self._inner = self._inner if inner is None else inner
        self._refilling = self._refilling if refilling is None else refilling
        self._evacuating = self._evacuating if evacuating is None else evacuating
        return opened, closed

    def run(self, _at_ms: int, run: Run) -> None:
        """Pressures of a stretch; a hand valve opens the row by them alone."""
        was = self.chamber.under_vacuum
        self.chamber.take(run)
        if self.chamber.under_vacuum and not was:
            self._move(run.from_ms, "in")
        elif was and not self.chamber.under_vacuum:
            self._moved_ms = run.to_ms

    def dose(self, at_ms: int, impulse: Impulse) -> None:
        """The excess that began with this row's inner door is over."""
        self._doses[impulse.role] = {
            "dose_cm3": impulse.dose_cm3,
            "peak_ppm": impulse.peak_ppm,
            "seen": impulse.seen,
            "settled": impulse.settled,
            "at_least": impulse.at_least,
        }
        if impulse.role in self._awaits:
            self._awaits.remove(impulse.role)
        self._try_close(at_ms)

    def tick(self, at_ms: int) -> None:
        """Rows that nothing more happens to come to an end."""
        if not self.open or self._inner or self._outer:
            return
        idle_ms = at_ms - max(self._moved_ms, self._closed_ms, self._started_ms)
        resting = idle_ms >= IDLE_MS and not self.chamber.under_vacuum and not self._awaits
        if resting or at_ms - self._started_ms >= LONGEST_MS:
            self._close(at_ms)

    def reset(self, at_ms: int) -> None:
        """After a gap: the row ends where the watching ended."""
        if self.open:
            self._document["broken_off"] = True
            self._close(at_ms)
        self.chamber.reset()
        self._outer = self._inner = self._refilling = self._evacuating = None
        self.chamber.pumping = None

    def status(self) -> dict[str, Any] | None:
        """The open row, as status shows it."""
        if not self.open:
            return None
        return {
            "box": self._facts.name,
            "kind": "transfer",
            "started_at_ms": self._started_ms,
            "document": self._told(),
        }

    def _reset(self, at_ms: int, direction: str) -> None:
        self.open = True
        self._started_ms = self._moved_ms = at_ms
        self._direction = direction
        self._opened_ms = self._closed_ms = 0
        self._document: dict[str, Any] = {}
        self._doses: dict[str, Any] = {}
        self._awaits: list[str] = []

    def _move(self, at_ms: int, direction: str) -> None:
        if self.open and self._closed_ms and not self._inner:
            self._close(at_ms)  # the next one begins before the dose of the last is told
        if not self.open:
            self._reset(at_ms, direction)
            if direction == "in" and self.chamber.outer is None:
                self.chamber.aired()  # no door tells: take it for dirty
            elif self.chamber.residual_ppm is None:
                self.chamber.restart()
        self._moved_ms = at_ms

    def _hear_outer(self, at_ms: int, is_open: bool) -> None:
        if is_open:
            out = self.open and self._direction == "out"
            if not out:
                self._move(at_ms, "in")
            self.chamber.aired()
            self._moved_ms = at_ms
        elif self._outer:
            self.chamber.aired()
            self._moved_ms = at_ms
            if self.open and self._direction == "out":
                self._awaits = []
                self._close(at_ms)

    def _inner_opened(self, at_ms: int) -> None:
        if self.open and self._closed_ms:
            self._opened_ms = self._opened_ms or at_ms  # the same door once more
        elif not self.open:
            self._reset(at_ms, "out")
            self.chamber.restart()
        if not self._document:
            self._judge(at_ms)
        self._opened_ms = self._opened_ms or at_ms
        self._awaits = [r for r in ROLES if self._facts.own(r) is not None]

    def _inner_closed(self, at_ms: int) -> None:
        self._closed_ms = self._moved_ms = at_ms
        self.chamber.shared(sound(self._facts.own("oxygen")))

    def _judge(self, at_ms: int) -> None:
        """What the chamber was like when its inner door opened."""
        chamber = self.chamber
        residual = chamber.residual_ppm
        expected = None
        if residual is not None:
            box = max(0.0, self._facts.value(self._facts.own("oxygen"), 0.0))
            extra = min(1e6, max(0.0, residual - box))
            expected = dose_m3(extra, chamber.plan.volume_m3) * 1e6 * self._facts.to_standard
        clean = _clean(residual, chamber.vacuum_s)
        self._document = {
            "inner_door_ms": at_ms,
            "residual_ppm": residual,
            "expected_cm3": expected,
            "clean": True if self._direction == "out" and clean is None else clean,
            "cycles": len(chamber.depths),
            "depths_mbar": list(chamber.depths),
            "deepest_mbar": min((d for d in chamber.depths if d is not None), default=None),
            "vacuum_s": chamber.vacuum_s,
        }

    def _try_close(self, at_ms: int) -> None:
        if self.open and self._closed_ms and not self._awaits and self._direction == "in":
            self._close(at_ms)

    def _close(self, at_ms: int) -> None:
        self.open = False
        self._rows.close(self._facts.name, "transfer", self._started_ms, at_ms, self._told())

    def _told(self) -> dict[str, Any]:
        chamber, document = self.chamber, dict(self._document)
        opened_ms = document.pop("inner_door_ms", None)
        oxygen = self._doses.get("oxygen", {})
        direction = self._direction if self._opened_ms else "none"
        depths = [d for d in chamber.depths if d is not None]
        return {
            "antechamber": chamber.plan.name,
            "direction": direction,
            "cycles": len(chamber.depths),
            "cycles_wanted": chamber.plan.cycles,
            "depths_mbar": list(chamber.depths),
            "deepest_mbar": min(depths, default=None),
            "vacuum_s": chamber.vacuum_s,
            "rise_mbar_min": chamber.rise_mbar_min,
            "door_after_s": None if opened_ms is None else (opened_ms - self._started_ms) / 1000,
            "residual_ppm": chamber.residual_ppm,
            "clean": None,
            "expected_cm3": None,
            **document,
            "seen_cm3": oxygen.get("dose_cm3"),
            "doses": dict(self._doses),
        }


def _clean(residual_ppm: float | None, vacuum_s: float) -> bool | None:
    """Residual or time under vacuum; None where neither tells."""
    if vacuum_s >= CLEAN_AFTER_S:
        return True
    return None if residual_ppm is None else residual_ppm <= CLEAN_BELOW_PPM
