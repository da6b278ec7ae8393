"""The one loop step that live and replay share: both feed the same watch through ``Drive``.

``Drive`` gives every item its place: watch time never goes back, every whole second that passed
is ticked before the item, every item but these ticks gets the next ``seq``. It
knows no clock and no file: live, ``record`` is the journal's ``append``; in replay it is a list or
a report.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from dewline.events import Entry, Outcome
from dewline.readings import Command, Resumed, Scan, Tick
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan


def no_plan(_hash: str) -> WatchPlan | None:
    """Knows no plan by its hash: the watch keeps the plan it has."""
    return None


@dataclass(slots=True, eq=False)
class Drive:
    """Feeds one watch and records what follows.

    ``seq`` and ``at_ms`` (watch time, ms) are those of the last item; ``at_ms`` is None before
    the first one. ``plans`` gives the watch plan of a hash when a Resumed names a new one.
    """

    watch: Watch
    plan_hash: str
    record: Callable[[Entry], None]
    plans: Callable[[str], WatchPlan | None] = no_plan
    seq: int = 0
    at_ms: int | None = None

    def feed(self, item: Scan | Command | Resumed, plan: WatchPlan | None = None) -> Outcome:
        """Tick up to the item, feed it to the watch, record it with what followed.

        An item from before the last one is given the watch time of the last one. ``plan`` is
        the one a Resumed names, where the caller has it; else ``plans`` is asked.
        """
        at_ms = item.at_ms if self.at_ms is None else max(item.at_ms, self.at_ms)
        # Over a gap nothing was watched, so no tick is fed: the Resumed says how long it was.
        self.tick_to(at_ms - item.gap_ms if isinstance(item, Resumed) else at_ms)
        self.at_ms = at_ms
        if item.at_ms != at_ms:
            item = replace(item, at_ms=at_ms)
        if isinstance(item, Resumed) and item.plan_hash != self.plan_hash:
            self._change_plan(item.plan_hash, plan or self.plans(item.plan_hash))
        outcome = self.watch.feed(item)
        self.seq += 1
        self.record(Entry(self.seq, item, outcome))
        return outcome

    def tick_to(self, at_ms: int) -> None:
        """Feed a Tick for every whole second in (last, at_ms]. The live ticker calls only this."""
        if self.at_ms is None:
            return
        for second in range((self.at_ms // 1000 + 1) * 1000, at_ms + 1, 1000):
            self.at_ms = second
            outcome = self.watch.feed(Tick(second))
            if outcome.events or outcome.readings or outcome.ledger or outcome.verdicts:
                self.record(Entry(self.seq, None, outcome))

    def _change_plan(self, plan_hash: str, plan: WatchPlan | None) -> None:
        """Go on under ``plan`` with the state reached; a plan nobody knows changes nothing."""
        if plan is None:
            return
        self.plan_hash = plan_hash
        if plan is self.watch.plan:  # another version of dewline hashed it in another way
            return
        state = self.watch.save()
        self.watch = Watch(plan)
        self.watch.restore(state)
