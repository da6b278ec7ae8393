"""Outages: what was not watched, and which values are different after it.

An outage is a time without dewline, or a minute or more without a reading from an instrument of
the box.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import FIRST_UNCERTAIN, SignalState
from dewline.watch_plan import SignalPlan

SILENT_MS = 60_000
ANSWERS_MS = 120_000  # how long signals get to come back before the row is closed
# How much a value must differ, by unit; a bit differs or not.
NOTABLE = {"mbar": 1.0, "degC": 1.0, "m3/h": 5.0, "%": 5.0, "L/min": 1.0}
NOTABLE_PPM, NOTABLE_SHARE = 0.3, 0.5


class GapBook(Kept):
    """The outages of one box, by what brings its signals: an instrument, or ``dewline`` for all.

    ``_since``: when an outage began; ``_before``: the values by role until then; ``_awaits``:
    when readings came again.
    """

    _since: dict[str, int]
    _before: dict[str, dict[str, float]]
    _awaits: dict[str, int]

    def __init__(
        self,
        box: str,
        plans: Mapping[str, SignalPlan],
        signals: Mapping[str, SignalState],
        rows: RowBook,
    ) -> None:
        self._box, self._rows = box, rows
        self._units = {n: s.unit for n, s in plans.items() if s.place == box and s.instrument}
        self._signals = {n: signals[n] for n in self._units}
        self._groups: dict[str, list[SignalState]] = {}
        for name in self._units:
            self._groups.setdefault(plans[name].instrument or "", []).append(signals[name])
        self._since = {}
        self._before = {}
        self._awaits = {}

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """Note an outage of dewline itself. Call it before the signals are reset."""
        if gap_ms >= SILENT_MS:
            self._since["dewline"] = at_ms - gap_ms
            self._before["dewline"] = self._values(self._signals.values())
            self._awaits["dewline"] = at_ms

    def minute(self, at_ms: int) -> None:
        """Every minute: find instruments that stopped answering or answer again.

        A row is closed when all its signals are good again, or two minutes after the first.
        """
        for name, signals in self._groups.items():
            silent = all(at_ms - signal.alive_ms >= SILENT_MS for signal in signals)
            if silent and name not in self._since and any(s.value is not None for s in signals):
                self._since[name] = max(signal.alive_ms for signal in signals)
                self._before[name] = self._values(signals)
            elif not silent and name in self._since:
                self._awaits.setdefault(name, at_ms)
        for name, since_ms in list(self._awaits.items()):
            group: Iterable[SignalState] = (
                self._signals.values() if name == "dewline" else self._groups.get(name, [])
            )
            back = all(signal.quality < FIRST_UNCERTAIN for signal in group)
            if back or at_ms - since_ms >= ANSWERS_MS:
                self._close(name, group)

    def open_rows(self) -> list[OpenRow]:
        """The outages that go on."""
        return [OpenRow(self._box, "gap", at_ms, {"of": of}) for of, at_ms in self._since.items()]

    def _values(self, group: Iterable[SignalState]) -> dict[str, float]:
        return {s.name.partition(".")[2]: s.value for s in group if s.value is not None}

    def _close(self, name: str, group: Iterable[SignalState]) -> None:
        """Write the row of an outage ``of`` an instrument, or of dewline itself.

        ``differs``: by role the values before and after; ``not_back``: roles without a
        good reading.
        """
        ended_ms = self._awaits.pop(name)
        since_ms, before = self._since.pop(name), self._before.pop(name)
        signals = list(group)
        usable = [s for s in signals if s.usable is not None]
        after = self._values(usable)
        document = {
            "of": name,
            "differs": {
                role: [before[role], value]
                for role, value in after.items()
                if role in before and self._notable(role, before[role], value)
            },
            "not_back": [s.name.partition(".")[2] for s in signals if s.usable is None],
        }
        self._rows.close(self._box, "gap", since_ms, ended_ms, document)

    def _notable(self, role: str, before: float, after: float) -> bool:
        unit = self._units[f"{self._box}.{role}"]
        if unit == "ppm":
            least = max(NOTABLE_PPM, NOTABLE_SHARE * max(abs(before), abs(after)))
        else:
            least = NOTABLE.get(unit, 0.5 if unit == "" else NOTABLE_SHARE * abs(before))
        return abs(after - before) >= least
