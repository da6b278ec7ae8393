"""Transfers through one antechamber: what was done, how clean the chamber was, what came in.

A chamber whose outer door was open, or whose past is not known, is dirty. It is clean enough by
its residual oxygen, or by its time under vacuum: a night at 0.1 mbar is one cycle only, but cleans
the chamber as well. To take things out of a clean chamber needs no cycles.
"""

from __future__ import annotations

from typing import Literal, TypedDict

from dewline.gas.antechamber import dose_m3
from dewline.watch.ledgers.chamber import Chamber
from dewline.watch.ledgers.impulse import Impulse
from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts, is_on, sound
from dewline.watch.signals.bucket import Run

# Residual oxygen, or time under vacuum, with which a chamber passes. Common practice, no source.
CLEAN_BELOW_PPM = 50.0
CLEAN_AFTER_S = 4 * 3600.0
LONGEST_MS = 36 * 3_600_000
IDLE_MS = 30 * 60_000
ROLES = ("oxygen", "moisture")

Direction = Literal["in", "out"]


class Judgement(TypedDict, total=False):
    """The chamber as its inner door opened; empty before that. ``inner_door_ms``: watch time."""

    inner_door_ms: int
    residual_ppm: float | None
    expected_cm3: float | None
    clean: bool | None
    cycles: int
    depths_mbar: list[float | None]
    deepest_mbar: float | None
    vacuum_s: float
    broken_off: bool


class TransferBook(Kept):
    """Opens a row at the first move of a chamber, and closes it when its dose is known.

    ``open``: a row is open, since ``_started_ms``; ``_opened_ms`` and ``_closed_ms``: when its
    inner door opened and closed, 0 for not yet; ``_moved_ms``: the last move. ``_awaits``: the
    gases whose dose is not yet known; ``_doses``: what came in of the others, as the
    impulse says. ``_outer`` to ``_evacuating``: the last known state of each door and valve.
    """

    chamber: Chamber
    open: bool = False
    _started_ms: int = 0
    _direction: Direction = "in"
    _opened_ms: int = 0
    _closed_ms: int = 0
    _moved_ms: int = 0
    _document: Judgement
    _doses: dict[str, dict[str, float | bool | None]]
    _awaits: list[str]
    _outer: bool | None = None
    _inner: bool | None = None
    _refilling: bool | None = None
    _evacuating: bool | None = None

    def __init__(self, chamber: Chamber, rows: RowBook) -> None:
        self.chamber, self._rows = chamber, rows
        self._facts: BoxFacts = chamber.facts
        self._document = {}
        self._doses = {}
        self._awaits = []

    def waits_for(self, role: str) -> bool:
        """Whether an excess of this gas that ends now belongs to this row.

        It does while a dose is awaited and the inner door is shut again.
        """
        return self.open and role in self._awaits and not self.inner_open

    @property
    def expected_cm3(self) -> float | None:
        """Oxygen that came with the chamber's gas, at 0 °C, 1013.25 mbar."""
        return self._document.get("expected_cm3")

    @property
    def inner_open(self) -> bool:
        """Whether the inner door is open."""
        return self._inner is True

    def update(self, at_ms: int) -> tuple[bool, bool]:
        """A valve or a door may have changed.

        Gives whether the inner door has just opened, and whether it has just closed.
        """
        chamber = self.chamber
        if (run := chamber.bucket.drain(at_ms)) is not None:
            self.add_run(at_ms, run)
        chamber.pumping = is_on(chamber.evacuating)
        outer, inner = is_on(chamber.outer), is_on(chamber.inner)
        refilling, evacuating = is_on(chamber.refilling), is_on(chamber.evacuating)
        if evacuating and self._evacuating is False:
            self._move(at_ms, "in")
        if refilling is False and self._refilling:
            chamber.valve_cycle()
            self._moved_ms = at_ms
        if outer is not None and outer != self._outer:
            self._update_outer(at_ms, outer)
        opened = bool(inner and self._inner is False)
        closed = inner is False and self._inner is True
        if opened:
            self._inner_opened(at_ms)
        if closed:
            self._inner_closed(at_ms)
        self._outer = self._outer if outer is None else outer
        self._inner = self._inner if inner is None else inner
        self._refilling = self._refilling if refilling is None else refilling
        self._evacuating = self._evacuating if evacuating is None else evacuating
        return opened, closed

    def add_run(self, _at_ms: int, run: Run) -> None:
        """Take in pressures of the chamber; with a hand valve they alone open the row."""
        was = self.chamber.under_vacuum
        self.chamber.add_run(run)
        if self.chamber.under_vacuum and not was:
            self._move(run.from_ms, "in")
        elif was and not self.chamber.under_vacuum:
            self._moved_ms = run.to_ms

    def add_dose(self, at_ms: int, impulse: Impulse) -> None:
        """Take in the excess that began with this row's inner door and is over now.

        The row is closed with the last dose that it awaits.
        """
        self._doses[impulse.role] = {
            "dose_cm3": impulse.dose_cm3,
            "peak_ppm": impulse.peak_ppm,
            "seen": impulse.seen,
            "settled": impulse.settled,
            "at_least": impulse.at_least,
        }
        if impulse.role in self._awaits:
            self._awaits.remove(impulse.role)
        if self.open and self._closed_ms and not self._awaits and self._direction == "in":
            self._close(at_ms)

    def minute(self, at_ms: int) -> None:
        """Every minute: close a row in which nothing has happened for long."""
        if not self.open or self._inner or self._outer:
            return
        idle_ms = at_ms - max(self._moved_ms, self._closed_ms, self._started_ms)
        resting = idle_ms >= IDLE_MS and not self.chamber.under_vacuum and not self._awaits
        if resting or at_ms - self._started_ms >= LONGEST_MS:
            self._close(at_ms)

    def reset(self, at_ms: int) -> None:
        """After a gap: end the open row, where the watching ended."""
        if self.open:
            self._document["broken_off"] = True
            self._close(at_ms)
        self.chamber.reset()
        self._outer = self._inner = self._refilling = self._evacuating = None
        self.chamber.pumping = None

    def open_row(self) -> OpenRow | None:
        """The transfer that goes on."""
        if not self.open:
            return None
        return OpenRow(self._facts.name, "transfer", self._started_ms, self._row())

    def _begin(self, at_ms: int, direction: Direction) -> None:
        self.open = True
        self._started_ms = self._moved_ms = at_ms
        self._direction = direction
        self._opened_ms = self._closed_ms = 0
        self._document = {}
        self._doses = {}
        self._awaits = []

    def _move(self, at_ms: int, direction: Direction) -> None:
        if self.open and self._closed_ms and not self._inner:
            self._close(at_ms)  # the next transfer begins before the dose of the last is known
        if not self.open:
            self._begin(at_ms, direction)
            if direction == "in" and self.chamber.outer is None:
                self.chamber.aired()  # without a door signal it is taken as dirty
            elif self.chamber.residual_ppm is None:
                self.chamber.restart()
        self._moved_ms = at_ms

    def _update_outer(self, at_ms: int, is_open: bool) -> None:
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
            self._begin(at_ms, "out")
            self.chamber.restart()
        if not self._document:
            self._judge(at_ms)
        self._opened_ms = self._opened_ms or at_ms
        self._awaits = [r for r in ROLES if self._facts.own(r) is not None]

    def _inner_closed(self, at_ms: int) -> None:
        self._closed_ms = self._moved_ms = at_ms
        self.chamber.shared(sound(self._facts.own("oxygen")))

    def _judge(self, at_ms: int) -> None:
        """Note what the chamber is like as its inner door opens."""
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
            "deepest_mbar": _deepest(chamber),
            "vacuum_s": chamber.vacuum_s,
        }

    def _close(self, at_ms: int) -> None:
        self.open = False
        self._rows.close(self._facts.name, "transfer", self._started_ms, at_ms, self._row())

    def _row(self) -> dict[str, object]:
        """The row's document: as judged at the inner door, or before that as the chamber is now.

        ``direction``: in, out, or none where the inner door stayed shut. ``depths_mbar``: lowest
        pressure of each cycle. ``residual_ppm``: oxygen in the chamber before its inner door
        opened, and ``expected_cm3`` what of it comes into the box, at 0 °C and 1013.25 mbar;
        ``seen_cm3``: the oxygen that came in. ``clean``: None where that is not known.
        """
        chamber, judged = self.chamber, self._document
        opened_ms = judged.get("inner_door_ms")
        row = {
            "antechamber": chamber.plan.name,
            "direction": self._direction if self._opened_ms else "none",
            "cycles": judged.get("cycles", len(chamber.depths)),
            "cycles_wanted": chamber.plan.cycles,
            "depths_mbar": judged.get("depths_mbar", list(chamber.depths)),
            "deepest_mbar": judged.get("deepest_mbar", _deepest(chamber)),
            "vacuum_s": judged.get("vacuum_s", chamber.vacuum_s),
            "rise_mbar_min": chamber.rise_mbar_min,
            "door_after_s": None if opened_ms is None else (opened_ms - self._started_ms) / 1000,
            "residual_ppm": judged.get("residual_ppm", chamber.residual_ppm),
            "clean": judged.get("clean"),
            "expected_cm3": judged.get("expected_cm3"),
            "seen_cm3": self._doses["oxygen"]["dose_cm3"] if "oxygen" in self._doses else None,
            "doses": dict(self._doses),
        }
        if "broken_off" in judged:
            row["broken_off"] = True
        return row


def _deepest(chamber: Chamber) -> float | None:
    return min((depth for depth in chamber.depths if depth is not None), default=None)


def _clean(residual_ppm: float | None, vacuum_s: float) -> bool | None:
    """By residual or by time under vacuum; None where neither is known."""
    if vacuum_s >= CLEAN_AFTER_S:
        return True
    return None if residual_ppm is None else residual_ppm <= CLEAN_BELOW_PPM
