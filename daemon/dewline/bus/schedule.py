"""The order in which the instruments of a bus are polled. No clock and no I/O.

All times are seconds of a clock that never goes back. Every instrument has slots at fixed
distances from the start; a missed slot is skipped, so that there are no bursts. An instrument
that does not answer is *probed*: at growing distances, one instrument at a time, after the
others, and for at most a twentieth of the line's time while another instrument answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor
from typing import Final

SILENT_AFTER: Final = 3  # failed turns in a row
_PROBED_AFTER: Final = 2
_LONGEST_SPACING_S: Final = 60.0
_PROBE_SHARE: Final = 1 / 20
_LISTEN_AFTER: Final = 0.8  # of the period of a stream, so that an early line is not missed


@dataclass(slots=True)
class PollSlot:
    """The slots of one instrument; ``number`` is the next one.

    ``failures`` counts failed turns in a row, ``missed`` the slots that were skipped.
    A streaming instrument sends in its own time: its slots follow its lines, and it is never
    probed, since listening to a silent one costs nothing.
    """

    every_s: float
    start_s: float
    streamed: bool = False
    number: int = 0
    failures: int = 0
    missed: int = 0

    @property
    def due_s(self) -> float:
        """Moment of the next slot."""
        return self.start_s + self.number * self.every_s

    @property
    def probing(self) -> bool:
        """Whether it failed so often that it is only probed."""
        return self.failures >= _PROBED_AFTER and not self.streamed

    def finish_turn(self, now_s: float, answered: bool) -> None:
        """Choose the next slot after a turn that ended at ``now_s``.

        Slots already past are skipped; they count as missed unless the instrument is probed.
        A streaming one that answered is next listened to before its following line is due.
        """
        self.failures = 0 if answered else self.failures + 1
        if self.streamed and answered:
            self.start_s, self.number = now_s + _LISTEN_AFTER * self.every_s, 0
            return
        self.number += self._spacing()
        behind_s = now_s - self.due_s
        if behind_s >= 0:
            skipped = int(behind_s / self.every_s) + 1
            self.number += skipped
            self.missed += 0 if self.probing else skipped

    def _spacing(self) -> int:
        if not self.probing:
            return 1
        doubled = 1 << min(self.failures - _PROBED_AFTER, 30)
        return max(1, min(doubled, int(_LONGEST_SPACING_S / self.every_s)))


class Schedule:
    """The slots of all instruments of one bus."""

    def __init__(self, slots: Sequence[PollSlot]) -> None:
        self.slots = tuple(slots)
        self._probe_from_s = float("-inf")

    @property
    def missed(self) -> int:
        """Slots skipped because the bus was busy."""
        return sum(slot.missed for slot in self.slots)

    def next(self, now_s: float) -> tuple[int, float]:
        """Index of the instrument to poll next, and when; the moment may be past.

        Of the instruments that are due: those that answer before those that are probed, then
        the one that waits longest.
        """
        if len(self.slots) == 1:  # an instrument with a bus of its own, as nearly all on TCP
            return 0, self._ready_s(self.slots[0])
        places = [
            (self._ready_s(slot), slot.probing, slot.due_s, i) for i, slot in enumerate(self.slots)
        ]
        ready = [place for place in places if place[0] <= now_s]
        if not ready:
            ready_s, _, _, index = min(places)
            return index, ready_s
        # On a line without time to spare, a probe would never come: after a minute it counts
        # like the others.
        patient_s = now_s - _LONGEST_SPACING_S
        ready_s, _, _, index = min(
            ready, key=lambda place: (place[1] and place[0] > patient_s, place[2], place[3])
        )
        return index, ready_s

    def _ready_s(self, slot: PollSlot) -> float:
        return max(slot.due_s, self._probe_from_s) if slot.probing else slot.due_s

    def finish_turn(self, index: int, began_s: float, now_s: float, answered: bool) -> None:
        """Note the end of a turn of instrument ``index``, from ``began_s`` to ``now_s``."""
        slot = self.slots[index]
        if slot.probing:
            self._probe_from_s = now_s + self._pause_s(now_s - began_s)
        slot.finish_turn(now_s, answered)

    def _pause_s(self, probe_s: float) -> float:
        """Pause before the next probe, so that probes take at most their share of the line."""
        probed = sum(slot.probing for slot in self.slots)
        if probed == len(self.slots):
            return 0.0
        fair_s = _LONGEST_SPACING_S / probed - probe_s
        return max(0.0, min(probe_s * (1 / _PROBE_SHARE - 1), fair_s))

    def restart(self, now_s: float) -> None:
        """Begin anew on a new link: all are due at once, failures are reset, nothing is missed."""
        self._probe_from_s = float("-inf")
        for slot in self.slots:
            slot.failures = 0
            slot.number = floor((now_s - slot.start_s) / slot.every_s)
