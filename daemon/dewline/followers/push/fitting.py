"""Fits texts onto a lock screen: title and text stay below 200 characters."""

from __future__ import annotations

from collections.abc import Sequence

from dewline.events import EventDocument
from dewline.followers.push.page import AGAIN

LIMIT = 199
Extra = tuple[int, Sequence[str]]  # rank, and wordings from long to short


def room_for(title: str) -> int:
    """How many characters of text fit under a title, also where it is marked as a repeat."""
    return LIMIT - len(title) - len(AGAIN) - 1


def fit(
    room: int, head: str, step: str, before: Sequence[Extra], after: Sequence[Extra] = ()
) -> str:
    """Head and next step always, and of the extras before and after the step what fits.

    The extra with the lowest rank chooses first; the first of its wordings that fits is taken, or
    none. Head and step are cut where they are too long. ``room`` is in characters.
    """
    head = _clip(head, room * 2 // 3)
    step = _clip(step, room - len(head) - 1)
    left = room - len(head) - len(step) - 1
    chosen: dict[int, str] = {}
    for rank, wordings in sorted((*before, *after)):
        if fitting := next((one for one in wordings if one and len(one) + 1 <= left), ""):
            chosen[rank] = fitting
            left -= len(fitting) + 1
    parts = [*(chosen.get(rank) for rank, _ in before), step]
    parts += [chosen.get(rank) for rank, _ in after]
    return " ".join((head, *(part for part in parts if part)))


def cautions(document: EventDocument) -> tuple[str, ...]:
    """The wordings of a caution: in full, and the half after its semicolon, which says what to do.

    Both are empty where there is no caution.
    """
    caution = document["caution"] or ""
    short = caution.partition("; ")[2]
    return (caution, short[:1].upper() + short[1:])


def _clip(text: str, room: int) -> str:
    """As much of a text as fits, cut at a sentence, a clause or a word."""
    if len(text) <= room:
        return text
    for mark in (". ", "; ", ", ", " "):
        cut = text.rfind(mark, room // 3, room - 1)
        if cut > 0:
            return text[:cut].rstrip(" ,;:") + ("." if mark == ". " else "…")
    return text[: room - 1] + "…"
