"""From facts to a set of causes with a confidence, by the table. Pure arithmetic."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp

from dewline.events import Cause
from dewline.watch.causes.facts import Facts
from dewline.watch.causes.names import UNKNOWN, CauseName
from dewline.watch.causes.tell_apart import TELL_APART, TEST_OF
from dewline.watch.causes.weighed import Weighed

HOLDS = 0.5  # a fact truer than this vetoes; a needed one must be truer
SET_SHARE = 0.35  # a cause with this share of the first one's odds is named beside it
SET_SIZE = 3
ALONE = 0.6  # no cause is named alone below it
RIVAL_SHARE = 0.1  # with this share of the first one's odds a cause then stands beside it
PREVIOUS_STAYS = 0.7  # log odds that the cause judged before has over the others
HIGHEST = 0.95  # no confidence is higher than this
EVIDENCE_LEAST = 0.35  # least weight times truth of a fact that is given as evidence
EVIDENCE_COUNT = 4


def odds(
    table: Mapping[CauseName, Weighed], facts: Facts, previous: str = ""
) -> dict[CauseName, float]:
    """Probability of every cause that is not ruled out, the likeliest first.

    ``previous``: the cause judged before, which another one has to beat clearly.
    """
    scores = {name: _score(row, facts) for name, row in table.items() if not _out(row, facts)}
    for name in scores:
        if name == previous != UNKNOWN:
            scores[name] += PREVIOUS_STAYS
    best = max(scores.values(), default=0.0)
    weights = {name: exp(score - best) for name, score in scores.items()}
    total = sum(weights.values())
    return dict(
        sorted(((n, w / total) for n, w in weights.items()), key=lambda pair: (-pair[1], pair[0]))
    )


def judge(table: Mapping[CauseName, Weighed], facts: Facts, previous: str = "") -> Cause:
    """The set of causes that the facts leave, with the sum of its odds as confidence.

    ``previous`` as in ``odds``. Where ``unknown`` is the likeliest, or one name is left that is too
    unsure to stand alone, the name is ``unknown`` and the confidence its own.
    """
    shares = odds(table, facts, previous)
    if not shares:
        return Cause(UNKNOWN, 0.0)
    name, first = next(iter(shares.items()))
    if name == UNKNOWN:
        return _unknown(shares, [n for n in shares if shares[n] >= SET_SHARE * first])
    also = _beside(name, shares)
    confidence = min(HIGHEST, first + sum(shares[n] for n in also))
    if not also and confidence < ALONE:
        return _unknown(shares, [name])
    return Cause(
        name,
        round(confidence, 2),
        tuple(also),
        evidence(table[name], facts),
        tell_apart([name, *also]),
    )


def _beside(name: CauseName, shares: Mapping[CauseName, float]) -> list[CauseName]:
    """The causes that stand beside the first one, more of them where it is unsure."""
    first = shares[name]
    others = [(n, p) for n, p in shares.items() if n not in (name, UNKNOWN)]
    also = [n for n, p in others if p >= SET_SHARE * first]
    if not also and first < ALONE:
        also = [n for n, p in others if p >= RIVAL_SHARE * first]
    return also[:SET_SIZE]


def _unknown(shares: Mapping[CauseName, float], names: list[CauseName]) -> Cause:
    known = [n for n in names if n != UNKNOWN][:SET_SIZE]
    own = min(HIGHEST, shares.get(UNKNOWN, 0.0))
    return Cause(UNKNOWN, round(own, 2), tuple(known), (), tell_apart([UNKNOWN, *known]))


def evidence(row: Weighed, facts: Facts) -> tuple[str, ...]:
    """The sentences of the facts that speak most for a cause."""
    sentences = {
        facts[name].text: weight * facts[name].truth
        for name, weight in row.facts.items()
        if name in facts and weight * facts[name].truth >= EVIDENCE_LEAST
    }
    ordered = sorted(sentences, key=lambda text: -sentences[text])
    return tuple(ordered[:EVIDENCE_COUNT])


def tell_apart(names: list[CauseName]) -> str | None:
    """The one test that would decide between the names; None where there is but one.

    Beside ``unknown``, and where no test decides between the names, it is that of the first one.
    """
    if len(names) < 2:
        return None
    known = [n for n in names if n != UNKNOWN]
    for members, text in TELL_APART:
        if known[0] in members and any(n in members for n in known[1:]):
            return text
    return TEST_OF.get(known[0])


def _score(row: Weighed, facts: Facts) -> float:
    return row.prior + sum(w * facts[name].truth for name, w in row.facts.items() if name in facts)


def _out(row: Weighed, facts: Facts) -> bool:
    vetoed = any(name in facts and facts[name].truth > HOLDS for name in row.veto)
    lacking = any(name not in facts or facts[name].truth < HOLDS for name in row.need)
    return vetoed or lacking
