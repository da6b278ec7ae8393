"""What a person reads on a locked phone: pure text, out of event documents.

The first lines, title included, stay below 200 characters: what, how bad, since
when, why, how long there is, and always what to do next. All else stands below.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Literal

from dewline.events import PRIORITIES, Priority
from dewline.followers.push.cause_words import probable
from dewline.followers.push.phrases import (
    Document,
    clock,
    duration,
    figure,
    matter,
    reason,
    stands_off,
    subject,
    time_left,
    time_of,
    trouble,
)
from dewline.hours import OFF_DUTY
from dewline.readings import iso_utc
from dewline.watch_plan import Above, Below, Outside, Reaches, RulePlan

LIMIT = 199
AGAIN = " (again?)"
MOST_LINES = 40
LATE_MS = 300_000
LOOK = "Go and look, then acknowledge."
NO_RESCUE = "dewline observes and warns. It is no safety system, and this page is no rescue plan."
Tone = Literal["critical", "high", "medium", "low", "over", "test"]
DigestReason = Literal["flood", "late", "waited"]


@dataclass(frozen=True, slots=True)
class Page:
    """One message to one contact. ``text`` is for the lock screen, ``rest`` stands below it.

    A repeat bears the same ``id``; ``again`` says that it may be one.
    """

    id: str
    title: str
    text: str
    rest: str
    tone: Tone
    again: bool = False

    @property
    def body(self) -> str:
        """All that stands under the title."""
        again = "This may have reached you before; the id is the same.\n" if self.again else ""
        return f"{self.text}\n\n{again}{self.rest}\nid {self.id}"

    def repeated(self) -> Page:
        """The same page, marked: nobody knows whether the first one arrived."""
        return self if self.again else replace(self, title=self.title + AGAIN, again=True)


@dataclass(frozen=True, slots=True)
class Notified:
    """One thing to be told: an event, and the raise it ends where it is an end.

    ``waited``: it came outside the hours of whom it is told to, and still stands.
    ``unseen``: an end, and nobody has acknowledged all of what is over.
    """

    document: Document
    raised: Document | None = None
    waited: bool = False
    unseen: bool = False

    @property
    def over(self) -> bool:
        return self.raised is not None


class PageWriter:
    """Writes the pages of one site in the words and hours of its people."""

    def __init__(self, site: str, zone: tzinfo, rules: Mapping[str, RulePlan]) -> None:
        self._site = site
        self._zone = zone
        self._rules = rules

    def is_level(self, alarm: str, signal: str | None = None) -> bool:
        """Whether an alarm is about a level of its signal, or of this one."""
        rule = self._rules.get(alarm)
        if rule is None or signal not in (None, rule.signal):
            return False
        return isinstance(rule.condition, Above | Below | Outside | Reaches)

    def by_level(self, documents: Iterable[Document]) -> list[list[Document]]:
        """Events in groups of one trouble: the levels of a signal together, the gravest first."""
        groups: dict[str, list[Document]] = {}
        for document in documents:
            alarm = document["alarm"]
            groups.setdefault(document["signal"] if self.is_level(alarm) else alarm, []).append(
                document
            )
        return [sorted(group, key=_urgency) for group in groups.values()]

    def alarm(self, told: Notified, now_ms: int) -> Page:
        """An alarm is raised, still stands, goes on to the next person, or chatters."""
        document = told.document
        title = self._title(document["priority"])
        head = f"{_lead(told)}{self._what(told, now_ms)}"
        step = document["advice"] or LOOK
        if document["transition"] == "chattering":
            head = f"{subject(document)} comes and goes ({document['why']})."
            later = " Later widen deadband or delays." if self.is_level(document["alarm"]) else ""
            step = f"Look at it once; its pages rest for an hour.{later}"
        left = () if told.waited else time_left(document, self._zone, now_ms)
        caution, time = (0, 1) if document["priority"] == "critical" else (1, 0)
        before = ((2, (probable(document),)), (time, left))
        after = ((caution, _cautions(document)),)
        text = _fit(_room(title), head, step, before, after)
        return Page(document["id"], title, text, self._detail(document), document["priority"])

    def over(self, told: Notified, now_ms: int) -> Page:
        """An alarm that this contact was told of is over; told once."""
        document, raised = told.document, told.raised or told.document
        title = self._title("over")
        ended_ms, began_ms = time_of(document), time_of(raised, "since")
        rule = self._rules.get(raised["alarm"])
        over = "NOT JUDGED any more" if stands_off(raised, document, rule) else "OVER"
        head = (
            f"{over} at {self._clock(ended_ms, now_ms)} after {duration(ended_ms - began_ms)}: "
            f"{matter(raised, rule)}{_now(document)}."
        )
        text = _fit(_room(title), head, _after(told), ((0, (_why(document),)),))
        return Page(document["id"], title, text, self._detail(document), "over")

    def digest(self, told: Sequence[Notified], now_ms: int, *, why: DigestReason) -> Page:
        """Many events in one page.

        A flood, what came and went while no page could go, what waited for his hours.
        """
        first, last = told[0].document, told[-1].document
        standing = [t for t in told if not t.over]
        worst = min((t.document for t in standing or told), key=_urgency)
        tone: Tone = "over" if not standing else worst["priority"]
        title = self._title(tone)
        span = f"{self._clock(time_of(first), now_ms)}-{self._clock(time_of(last), now_ms)}"
        places = _count(len({t.document["box"] for t in standing}), "place")
        if why == "late":
            head = f"CAME AND WENT, told late: {_count(len(told), 'alarm')}, {span}."
            step = "Nothing of it stands now; read the list below when you are up."
        elif why == "waited":
            since = self._clock(time_of(first), now_ms)
            head = f"WAITING for you since {since}: {_kinds(standing)} at {places}."
            step = "Look at each in the list below, then acknowledge it."
        elif not standing:
            head = f"ALL OVER: {_count(len(told), 'alarm')}, {span}."
            step = "Nothing to do now; look for the one cause behind them in the morning."
        else:
            head = f"FLOOD {span}: {_kinds(standing)} at {places}."
            step = "Look for one cause behind them: supply, power, cable. Then `dewline status`."
        example = f"{'Worst' if standing else 'One'}: {self._short(worst, waited=why == 'waited')}."
        text = _fit(_room(title), head, step, ((0, (example,)),))
        rest = "\n".join(self._lines(told, now_ms))
        return Page(_digest_id(told), title, text, rest, tone)

    def test(self, contact: str, now_ms: int) -> Page:
        """A test page."""
        title = self._title("test")
        head = f"TEST for {contact}, {self._clock(now_ms, now_ms)}: pages of dewline reach you."
        text = _fit(_room(title), head, "Nothing to do.", ())
        name = hashlib.sha256(f"{self._site}|test|{contact}|{now_ms}".encode()).hexdigest()[:16]
        rest = f"Sent at {iso_utc(now_ms)}.\n{NO_RESCUE}"
        return Page(name, title, text, rest, "test")

    def _title(self, tone: Tone) -> str:
        return f"{tone.upper() if tone == 'critical' else tone} · {self._site}"

    def _what(self, told: Notified, now_ms: int) -> str:
        document = told.document
        bad = trouble(document, self._rules.get(document["alarm"]))
        since = self._clock(time_of(document, "since"), now_ms)
        unsure = " by a clock not set" if document["clock"] == "unsynchronised" else ""
        if told.waited:  # its figures are of then
            return f"{matter(document, self._rules.get(document['alarm']))} since {since}{unsure}."
        late = ""
        if now_ms - time_of(document) > LATE_MS:
            late = f" (told late, of {self._clock(time_of(document), now_ms)})"
        return f"{subject(document)}{' ' + bad if bad else ''} since {since}{unsure}{late}."

    def _short(self, document: Document, *, waited: bool = False) -> str:
        rule = self._rules.get(document["alarm"])
        if waited:  # its figures are of then
            return matter(document, rule)
        bad = trouble(document, rule)
        return f"{subject(document)}{' ' + bad if bad else ''}"

    def _clock(self, time_ms: int, now_ms: int) -> str:
        return clock(time_ms, self._zone, now_ms)

    def _lines(self, told: Sequence[Notified], now_ms: int) -> Iterator[str]:
        for one in sorted(told, key=lambda t: (t.over, _urgency(t.document)))[:MOST_LINES]:
            document = one.document
            began = self._clock(time_of(one.raised or document, "since"), now_ms)
            ended = f"-{self._clock(time_of(document), now_ms)} over" if one.over else ""
            short = self._short(document, waited=one.waited)
            yield f"{began}{ended}  {document['priority']}  {short}"
        if len(told) > MOST_LINES:
            yield f"and {len(told) - MOST_LINES} more: `dewline status` and the record have them"
        yield NO_RESCUE

    def _detail(self, document: Document) -> str:
        """Below the lock screen: everything there is to know."""
        alarm, cause = document["alarm"], document["cause"]
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
            _line("why", document["why"]),
            _line("acknowledge", f"dewline ack {alarm}" if _waits(document) else ""),
            NO_RESCUE,
        ]
        return "\n".join(line for line in lines if line)


def _lead(told: Notified) -> str:
    """What a repeated call is about."""
    if told.document["transition"] == "escalated":
        nobody = OFF_DUTY in (told.document["why"] or "")
        return "NOBODY ON DUTY: " if nobody else "NO ANSWER YET: "
    return "STILL " if told.waited or told.document["transition"] == "reminded" else ""


def _waits(document: Document) -> bool:
    return document["state"] in ("unacknowledged", "returned", "latched-unacknowledged")


def _after(told: Notified) -> str:
    """The next step once an alarm is over."""
    document = told.document
    if document["state"].startswith("latched"):
        return "LATCHED: look at the box, then reset it there with `dewline reset`."
    advice: str = document["advice"] or ""
    if advice.startswith("When "):
        return advice  # it speaks of the time after: "When power is back, restart ..."
    if document["state"] == "returned" or told.unseen:
        return "Nobody has acknowledged: do so once you know why."
    return "Nothing to do now; note what it was."


def _now(document: Document) -> str:
    if document["value"] is None or document["unit"] in ("", None, "s"):
        return ""
    return f", now {figure(document['value'], document['unit'])}"


def _why(document: Document) -> str:
    """What a person gave as a reason; the watch's own reasons name alarms, for the record."""
    return f"({document['why']})" if document["why"] and document["by"] else ""


def _urgency(document: Document) -> int:
    return PRIORITIES.index(document["priority"])


def _kinds(told: Sequence[Notified]) -> str:
    """``2 critical, 11 high``."""
    counts: dict[Priority, int] = dict.fromkeys(PRIORITIES, 0)
    for one in told:
        counts[one.document["priority"]] += 1
    return ", ".join(f"{n} {name}" for name, n in counts.items() if n) + " alarms"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _digest_id(told: Sequence[Notified]) -> str:
    ids = "|".join(one.document["id"] for one in told)
    return hashlib.sha256(f"digest|{ids}".encode()).hexdigest()[:16]


def _line(name: str, text: str | None) -> str:
    return f"{name}: {text}" if text else ""


def _room(title: str) -> int:
    return LIMIT - len(title) - len(AGAIN) - 1


Extra = tuple[int, Sequence[str]]  # rank, and wordings from long to short


def _fit(
    room: int, head: str, step: str, before: Sequence[Extra], after: Sequence[Extra] = ()
) -> str:
    """Head and next step always; what fits of the extras before and after the step.

    The lowest rank chooses first; the first of its wordings that fits is taken, or none.
    """
    head = _clip(head, room * 2 // 3)
    step = _clip(step, room - len(head) - 1)
    left = room - len(head) - len(step) - 1
    chosen: dict[int, str] = {}
    for rank, wordings in sorted((*before, *after)):
        if fitting := next((one for one in wordings if one and len(one) + 1 <= left), ""):
            chosen[rank] = fitting
            left -= len(fitting) + 1
    said = [*(chosen.get(rank) for rank, _ in before), step]
    said += [chosen.get(rank) for rank, _ in after]
    return " ".join((head, *(part for part in said if part)))


def _cautions(document: Document) -> tuple[str, ...]:
    """A caution, and in short what it asks for: the half after its semicolon."""
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
