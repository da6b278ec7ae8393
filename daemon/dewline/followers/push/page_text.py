"""Writes pages: what a person reads on a locked phone.

The text says what is wrong, how bad, since when, why, how long there is, and always what to do
next; with the title it stays below 200 characters. All else stands below it. Everything is made
from event documents, without any I/O.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import tzinfo
from typing import Literal

from dewline.events import (
    LATCHED_STATES,
    PRIORITIES,
    UNACKNOWLEDGED_STATES,
    EventDocument,
    Priority,
)
from dewline.followers.push.cause_words import probable
from dewline.followers.push.page import AGAIN, Page, PageItem, Tone
from dewline.followers.push.phrases import (
    climbing_gas,
    clock,
    duration,
    end,
    figure,
    matter,
    place_name,
    reason,
    standing,
    stands_off,
    subject,
    time_left,
    time_of,
    trouble,
)
from dewline.readings import iso_utc
from dewline.watch_plan import Above, Below, Outside, Reaches, RulePlan

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


MOST_LINES = 40
TOLD_LATE_MS = 300_000
LOOK = "Go and look, then acknowledge."
NO_RESCUE = "dewline observes and warns. It is no safety system, and this page is no rescue plan."
DigestReason = Literal["flood", "late", "deferred"]


class PageWriter:
    """Writes the pages of one site, in its time zone. ``rules`` are keyed by alarm."""

    def __init__(self, site: str, zone: tzinfo, rules: Mapping[str, RulePlan]) -> None:
        self._site = site
        self._zone = zone
        self._rules = rules

    def is_level(self, alarm: str, signal: str | None = None) -> bool:
        """Whether an alarm is about a level of its signal, or of ``signal``."""
        rule = self._rules.get(alarm)
        if rule is None or signal not in (None, rule.signal):
            return False
        return isinstance(rule.condition, Above | Below | Outside | Reaches)

    def by_level(self, documents: Iterable[EventDocument]) -> list[list[EventDocument]]:
        """Events in groups: the levels of one signal together, the most urgent first."""
        groups: dict[str, list[EventDocument]] = {}
        for document in documents:
            alarm = document["alarm"]
            key = document["signal"] if self.is_level(alarm) else alarm
            groups.setdefault(key, []).append(document)
        return [sorted(group, key=_urgency) for group in groups.values()]

    def alarm(self, item: PageItem, now_ms: int) -> Page:
        """A page for an alarm that is raised, is still active, escalates or chatters.

        Of what may be left out, time and caution are chosen first, then the probable cause; a
        critical alarm shows its caution before anything else. ``now_ms``: UTC epoch.
        """
        document = item.document
        title = self._title(document["priority"])
        head = f"{_lead(item)}{self._what(item, now_ms)}"
        step = document["advice"] or LOOK
        if document["transition"] == "chattering":
            head = f"{subject(document)} comes and goes ({document['why']})."
            later = " Later widen deadband or delays." if self.is_level(document["alarm"]) else ""
            step = f"Look at it once; its pages rest for an hour.{later}"
        left = () if item.deferred else time_left(document, self._zone, now_ms)
        caution, time = (0, 1) if document["priority"] == "critical" else (1, 0)
        before = ((2, (probable(document),)), (time, left))
        after = ((caution, cautions(document)),)
        text = fit(room_for(title), head, step, before, after)
        return Page(document["id"], title, text, self._detail(document), document["priority"])

    def over(self, item: PageItem, now_ms: int) -> Page:
        """A page for the end of an alarm: when, after how long, the value now, what is left to do.

        An alarm that ended only because its rule is not judged any more is not called over. Where
        other trouble stands, the page is about that: an end alone would be read as the end of all.
        """
        document, raised = item.document, item.raised or item.document
        if document["stands"]:
            return self._over_beside(document, raised, now_ms)
        title = self._title("over")
        ended_ms, began_ms = time_of(document), time_of(raised, "since")
        rule = self._rules.get(raised["alarm"])
        over = "NOT JUDGED any more" if stands_off(raised, document, rule) else "OVER"
        head = (
            f"{over} at {self._clock(ended_ms, now_ms)} after {duration(ended_ms - began_ms)}: "
            f"{matter(raised, rule)}{_value_now(document)}.{_stopped(document)}"
        )
        extras = ((0, (_given_reason(document),)),)
        text = fit(room_for(title), head, _step_when_over(item), extras)
        return Page(document["id"], title, text, self._detail(document), "over")

    def _over_beside(self, document: EventDocument, raised: EventDocument, now_ms: int) -> Page:
        """A page for the end of an alarm, in the tone and with the next step of what stands."""
        worst = document["stands"][0]
        title = self._title(worst["priority"])
        what = end(raised, document, self._rules.get(raised["alarm"]))
        at = self._clock(time_of(document), now_ms)
        head = f"{what} at {at}, but STANDING: {standing(document, self._rules)}."
        caution = cautions({**document, "caution": worst["caution"]})
        text = fit(room_for(title), head, worst["advice"] or LOOK, (), ((0, caution),))
        return Page(document["id"], title, text, self._detail(document), worst["priority"])

    def digest(self, items: Sequence[PageItem], now_ms: int, *, why: DigestReason) -> Page:
        """Many events in one page.

        ``flood``: more at once than a person can follow. ``late``: they came and went while no
        page could be sent. ``deferred``: they waited for the hours of the contact.
        """
        active, left = [item for item in items if not item.over], _left(items)
        worst = min((item.document for item in active or items), key=_urgency)
        tone: Tone = worst["priority"] if active else "over"
        if left is not None and not active:
            tone = left["stands"][0]["priority"]
        title = self._title(tone)
        head, step = self._digest_words(items, now_ms, why)
        short = self._short(worst, deferred=why == "deferred")
        extras = ((0, (f"{'Worst' if active else 'One'}: {short}.",)),)
        text = fit(room_for(title), head, step, extras)
        rest = "\n".join(self._lines(items, now_ms))
        return Page(_digest_id(items), title, text, rest, tone)

    def test(self, contact: str, now_ms: int) -> Page:
        """A test page."""
        title = self._title("test")
        head = f"TEST for {contact}, {self._clock(now_ms, now_ms)}: pages of dewline reach you."
        text = fit(room_for(title), head, "Nothing to do.", ())
        name = hashlib.sha256(f"{self._site}|test|{contact}|{now_ms}".encode()).hexdigest()[:16]
        rest = f"Sent at {iso_utc(now_ms)}.\n{NO_RESCUE}"
        return Page(name, title, text, rest, "test")

    def _digest_words(
        self, items: Sequence[PageItem], now_ms: int, why: DigestReason
    ) -> tuple[str, str]:
        """Head and next step of a digest."""
        active = [item for item in items if not item.over]
        since = self._clock(time_of(items[0].document), now_ms)
        span = f"{since}-{self._clock(time_of(items[-1].document), now_ms)}"
        places = _count(len({item.document["box"] for item in active}), "place")
        if why == "late":
            return (
                f"CAME AND WENT, told late: {_count(len(items), 'alarm')}, {span}.",
                "Nothing of it stands now; read the list below when you are up.",
            )
        if why == "deferred":
            return (
                f"WAITING for you since {since}: {_kinds(active)} at {places}.",
                "Look at each in the list below, then acknowledge it.",
            )
        left = _left(items)
        if not active and left is not None:
            beside = standing(left, self._rules)
            return (f"{_count(len(items), 'alarm')} over, {span}, but STANDING: {beside}.", LOOK)
        if not active:
            return (
                f"ALL OVER: {_count(len(items), 'alarm')}, {span}.",
                "Nothing to do now; look for the one cause behind them in the morning.",
            )
        return (
            f"FLOOD {span}: {_kinds(active)} at {places}.",
            "Look for one cause behind them: supply, power, cable. Then `dewline status`.",
        )

    def _title(self, tone: Tone) -> str:
        return f"{tone.upper() if tone == 'critical' else tone} · {self._site}"

    def _what(self, item: PageItem, now_ms: int) -> str:
        document = item.document
        since = self._clock(time_of(document, "since"), now_ms)
        unsure = " by a clock not set" if document["clock"] == "unsynchronised" else ""
        late = ""
        if not item.deferred and now_ms - time_of(document) > TOLD_LATE_MS:
            late = f" (told late, of {self._clock(time_of(document), now_ms)})"
        rule = self._rules.get(document["alarm"])
        if rule is not None and rule.of_stopped_loop and not item.deferred:
            place, gas = place_name(document["box"]), climbing_gas(document)
            return f"{place} circulation stopped since {since}{unsure}: {gas}{late}."
        short = self._short(document, deferred=item.deferred)
        return f"{short} since {since}{unsure}{late}."

    def _short(self, document: EventDocument, *, deferred: bool = False) -> str:
        """What and how bad; without figures where ``deferred``, since they are of that time."""
        rule = self._rules.get(document["alarm"])
        if deferred:
            return matter(document, rule)
        bad = trouble(document, rule)
        return f"{subject(document)}{' ' + bad if bad else ''}"

    def _clock(self, time_ms: int, now_ms: int) -> str:
        return clock(time_ms, self._zone, now_ms)

    def _lines(self, items: Sequence[PageItem], now_ms: int) -> Iterator[str]:
        """The list below a digest: what is still active first, the most urgent first."""
        for item in sorted(items, key=lambda i: (i.over, _urgency(i.document)))[:MOST_LINES]:
            document = item.document
            began = self._clock(time_of(item.raised or document, "since"), now_ms)
            ended = f"-{self._clock(time_of(document), now_ms)} over" if item.over else ""
            short = self._short(document, deferred=item.deferred)
            yield f"{began}{ended}  {document['priority']}  {short}"
        if len(items) > MOST_LINES:
            yield f"and {len(items) - MOST_LINES} more: `dewline status` and the record have them"
        yield NO_RESCUE

    def _detail(self, document: EventDocument) -> str:
        """Below the lock screen: everything there is to know."""
        alarm, cause, to = document["alarm"], document["cause"], document["to"]
        waits = document["state"] in UNACKNOWLEDGED_STATES
        lines = [
            f"{alarm}  {document['transition']}, now {document['state']}",
            f"at {document['time']}, priority {document['priority']}, site {document['site']}",
            _line("read", f"{figure(document['value'], document['unit'])} {document['quality']}"),
            _line("mode", document["mode"]),
            _line("cause", reason(document)),
            *(_line("seen", evidence) for evidence in cause["evidence"]),
            _line("to tell apart", cause["tell_apart"]),
            _line("do", document["advice"]),
            _line("caution", document["caution"]),
            *(_line("stands", one["alarm"]) for one in document["stands"]),
            _line("why", f"{to}: {document['why']}" if to else document["why"]),
            _line("acknowledge", f"dewline ack {alarm}" if waits else ""),
            NO_RESCUE,
        ]
        return "\n".join(line for line in lines if line)


def _lead(item: PageItem) -> str:
    """Why a page comes about an alarm that is not new; empty for a new one."""
    if item.document["transition"] == "escalated":
        return "NOBODY ON DUTY: " if item.document["off_duty"] else "NO ANSWER YET: "
    return "STILL " if item.deferred or item.document["transition"] == "reminded" else ""


def _step_when_over(item: PageItem) -> str:
    """The next step once an alarm is over."""
    document = item.document
    if document["state"] in LATCHED_STATES:
        return "LATCHED: look at the box, then reset it there with `dewline reset`."
    if document["when_over"]:
        return document["when_over"]
    if document["state"] == "returned" or item.unacknowledged:
        return "Nobody has acknowledged: do so once you know why."
    return "Nothing to do now; note what it was."


def _value_now(document: EventDocument) -> str:
    if document["value"] is None or document["unit"] in ("", None, "s"):
        return ""
    return f", now {figure(document['value'], document['unit'])}"


def _stopped(document: EventDocument) -> str:
    """Where circulation stands after an outage; empty where it stands nowhere."""
    places = ", ".join(place_name(place) for place in document.get("stopped_at", []))
    return f" CIRCULATION STANDS at {places}." if places else ""


def _given_reason(document: EventDocument) -> str:
    """What a person gave as a reason; the watch's own reasons name alarms, for the record."""
    return f"({document['why']})" if document["why"] and document["by"] else ""


def _left(items: Sequence[PageItem]) -> EventDocument | None:
    """The last of these ends, with what stands beside them all; None where nothing does."""
    over = {item.document["alarm"] for item in items}
    last = items[-1].document
    stands = [one for one in last["stands"] if one["alarm"] not in over]
    return {**last, "stands": stands} if stands else None


def _urgency(document: EventDocument) -> int:
    return PRIORITIES.index(document["priority"])


def _kinds(items: Sequence[PageItem]) -> str:
    """``2 critical, 11 high alarms``."""
    counts: dict[Priority, int] = dict.fromkeys(PRIORITIES, 0)
    for item in items:
        counts[item.document["priority"]] += 1
    return ", ".join(f"{n} {name}" for name, n in counts.items() if n) + " alarms"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _digest_id(items: Sequence[PageItem]) -> str:
    ids = "|".join(item.document["id"] for item in items)
    return hashlib.sha256(f"digest|{ids}".encode()).hexdigest()[:16]


def _line(name: str, text: str | None) -> str:
    return f"{name}: {text}" if text else ""
