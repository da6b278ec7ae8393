"""The parts that compute the figures and the ledger rows of one box."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from dewline.watch.derived.duty import Duty
from dewline.watch.derived.excess import Excess
from dewline.watch.derived.gas_use import GasUse
from dewline.watch.derived.idle import Idle
from dewline.watch.derived.ingress import Ingress
from dewline.watch.derived.nitrogen import Nitrogen, NitrogenRange
from dewline.watch.derived.outlook_table import BedOutlook, BoxOutlook
from dewline.watch.derived.purge_limit import PurgeLimit
from dewline.watch.ledgers.chamber import Chamber
from dewline.watch.ledgers.gap import GapBook
from dewline.watch.ledgers.impulses import ImpulseBook, PumpDowns
from dewline.watch.ledgers.isolation import IsolationBook
from dewline.watch.ledgers.purge import PurgeBook
from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.ledgers.transfer import TransferBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import WatchPlan

GASES = ("oxygen", "moisture")
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
DUTIES = {"fill_duty": "fill_valve", "freezer_duty": "freezer_compressor"}


class BoxParts:
    """Built from the signals that the box has; dicts are by gas, antechamber or role.

    None stands for a part that the box has no signals for.
    """

    def __init__(
        self,
        facts: BoxFacts,
        plan: WatchPlan,
        signals: Mapping[str, SignalState],
        rows: RowBook,
    ) -> None:
        self.facts = facts
        self.gas = {g: s for g in GASES if (s := facts.own(g)) is not None}
        self.excess = {g: Excess(facts, g, s) for g, s in self.gas.items()}
        self.idle = {g: Idle(facts, s) for g, s in self.gas.items()}
        self.ingress = {g: Ingress(facts, g, s) for g, s in self.gas.items()}
        self.impulses = ImpulseBook(facts, rows)
        self.isolation = IsolationBook(facts, rows)
        self.gap = GapBook(facts.name, plan.signals, signals, rows)
        self.nitrogen = Nitrogen(facts) if facts.box.gas == "argon" else None
        chambers = [Chamber(a, facts) for a in facts.box.antechambers]
        self.transfers = {c.plan.name: TransferBook(c, rows) for c in chambers if c.has_signals}
        self.pumps = {name: PumpDowns(facts.name, name, rows) for name in self.transfers}
        purging = facts.own("purging")
        self.purge = None if purging is None else PurgeBook(facts, purging, rows)
        self.purge_limit = {
            g: PurgeLimit(facts, purging, g, s) for g, s in self.gas.items() if purging is not None
        }
        switches = {role: facts.own(of) for role, of in DUTIES.items()}
        self.duty = {role: Duty(s) for role, s in switches.items() if s is not None}
        fill, relief = facts.own("fill_valve"), facts.own("relief_valve")
        counted = facts.pressure is not None and facts.box.volume_m3 is not None
        self.gas_use = GasUse(facts, fill, relief, rows) if fill and counted else None

    def named(self) -> Iterator[tuple[str, Kept]]:
        """Every part with the name under which its state is saved.

        A part of a group has the name of the group before its own, as in ``excess oxygen``.
        """
        single = {
            "isolation": self.isolation,
            "gap": self.gap,
            "impulses": self.impulses,
            "purge": self.purge,
            "gas use": self.gas_use,
            "nitrogen": self.nitrogen,
        }
        yield from ((name, part) for name, part in single.items() if part is not None)
        groups: dict[str, Mapping[str, Kept]] = {
            "excess": self.excess,
            "idle": self.idle,
            "ingress": self.ingress,
            "purge limit": self.purge_limit,
            "transfer": self.transfers,
            "pump": self.pumps,
            "duty": self.duty,
        }
        for kind, parts in groups.items():
            yield from ((f"{kind} {name}", part) for name, part in parts.items())

    def outputs(self) -> Iterator[tuple[str, str, int]]:
        """The roles that are written, their units, and how often at least (ms).

        Where the box has a measured signal of such a role, that one is not overwritten.
        """
        if "moisture" in self.gas:
            yield "frost_point_calc", "degC", MINUTE_MS
        for gas in self.gas:
            yield f"{gas}_idle", "ppm", HOUR_MS
            if self.facts.box.volume_m3 is not None:
                yield f"{gas}_ingress", "mL/h", 10 * MINUTE_MS
        for role in self.duty:
            yield role, "%", 10 * MINUTE_MS
        if self.gas_use is not None:
            yield "gas_use", "L/d", HOUR_MS
            yield "gas_idle", "L/h", HOUR_MS
        for name, book in self.transfers.items():
            if book.chamber.pressure is not None:
                yield f"{name}_residual", "ppm", HOUR_MS
        for gas in self.purge_limit:
            yield f"{gas}_purge_limit", "ppm", HOUR_MS
        if "oxygen" in self.gas:
            yield "clean_up_time", "s", HOUR_MS

    def minute(self, at_ms: int) -> None:
        """Every minute: let the rows count what goes on."""
        self.isolation.minute()
        self.gap.minute(at_ms)
        if self.purge is not None:
            self.purge.minute()

    def reset(self, last_ms: int) -> None:
        """End what was going on at ``last_ms``, where the watching ended before a gap.

        Open rows are closed, marked as broken off; what came in during the gap is not known.
        """
        self.isolation.reset(last_ms)
        for book in self.transfers.values():
            book.reset(last_ms)
        for excess in self.excess.values():
            excess.reset()
        for duty in self.duty.values():
            duty.reset()
        for limit in self.purge_limit.values():
            limit.reset()
        if self.purge is not None:
            self.purge.reset(last_ms)
        if self.gas_use is not None:
            self.gas_use.reset()

    def note(self, kind: str) -> None:
        """A person has noted work on the box: some of its own bests begin anew."""
        self.impulses.note(kind)
        for pump in self.pumps.values():
            pump.note(kind)

    def open_rows(self) -> list[OpenRow]:
        """The rows that are not yet closed."""
        found = [self.isolation.open_row(), *(b.open_row() for b in self.transfers.values())]
        found += [] if self.purge is None else [self.purge.open_row()]
        return [row for row in found if row is not None] + self.gap.open_rows()

    def _nitrogen(self) -> NitrogenRange | None:
        oxygen = self.excess.get("oxygen")
        so_far = None if oxygen is None else oxygen.so_far()
        return None if self.nitrogen is None else self.nitrogen.status(so_far)

    def outlook(self, learning: bool, bed: BedOutlook | None) -> BoxOutlook:
        """The box's own figures, as status shows them.

        ``bed``: the outlook of its purifier's bed, if it has a purifier.
        """
        return {
            "learning": learning,
            "idle_ppm": {g: i.latest for g, i in self.idle.items()},
            "nights": {g: len(i.nights) for g, i in self.idle.items()},
            "ingress_ml_h": {g: i.latest for g, i in self.ingress.items()},
            "clean_up_s": self.impulses.clean_up_s,
            "best_clean_up_s": self.impulses.best_s,
            "idle_gas_loss_l_h": None if self.gas_use is None else self.gas_use.idle_l_h,
            "proven_ms": dict(self.impulses.proven_ms),
            "nitrogen": self._nitrogen(),
            "bed": bed,
        }
