"""Why the reading of a trace gas may be no proof of a clean box."""

from __future__ import annotations

from enum import IntEnum


class Doubt(IntEnum):
    """One reason to doubt a trace gas sensor, and the ``sentence`` that says so as evidence.

    Its number is the reading of ``oxygen_doubt`` or ``moisture_doubt``: rules compare it with
    their limits, and records hold it. A further reason therefore takes a new number.
    """

    sentence: str

    def __new__(cls, number: int, sentence: str) -> Doubt:
        self = int.__new__(cls, number)
        self._value_ = number
        self.sentence = sentence
        return self

    NONE = 0, ""
    NOT_PROVEN = 1, "not proven for long"
    BURNING = 2, "solvent or hydrogen about: the cell burns it and shows less oxygen than there is"
    DOSE_MISSED = 3, "a dose that had to show did not"
    SLIPPED = 4, "the reading slipped by a factor of ten"
    SANK = 5, "it sank to nothing at once, on a cell that burns solvent, and the water did not sink"
