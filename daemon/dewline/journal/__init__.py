"""The record: one SQLite file holds what came in and what followed from it.

``Journal`` writes it (one daemon, one thread), ``Reader`` asks it (anyone).
"""

from dewline.journal.journal import Journal, Statistics
from dewline.journal.reader import Note, Reader, Row, Tail
from dewline.journal.rows import Snapshot
from dewline.journal.series import Minute, Point

__all__ = ["Journal", "Minute", "Note", "Point", "Reader", "Row", "Snapshot", "Statistics", "Tail"]
