"""Event documents of older versions, completed as they are read from a record.

Version 1 wrote the contact of an escalation, and that nobody was on duty, into ``why``; what
remains to be done after the end into ``advice``. These texts are taken apart here and nowhere
else, so that every reader of a record finds the keys of ``EventDocument``.
"""

from __future__ import annotations

import json

from dewline.events import EventDocument

_OFF_DUTY = "nobody was there"
_WHEN_OVER = "When "


def event_document(text: str) -> EventDocument:
    """The event document in ``text``, with every key, whichever version wrote it.

    ``occurrence`` is null in old documents: they do not say to which raise they belong.
    """
    document: EventDocument = json.loads(text)
    return document if "occurrence" in document else _completed(document)


def _completed(document: EventDocument) -> EventDocument:
    why, advice = document["why"] or "", document["advice"] or ""
    to, colon, reason = why.partition(": ")
    escalated = document["transition"] == "escalated" and bool(colon)
    return {
        **document,
        "occurrence": None,
        "to": to if escalated else None,
        "off_duty": escalated and _OFF_DUTY in reason,
        "why": reason if escalated else document["why"],
        "when_over": advice if advice.startswith(_WHEN_OVER) else None,
    }
