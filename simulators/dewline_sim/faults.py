"""Faults on the wire, switchable while the lab runs.

A fault belongs to a link (a bus), perhaps to one unit on it, holds for a while
or until cleared, and strikes a share of the exchanges. ``shape`` turns the
right reply into what then leaves the instrument: chunks, each with the real
seconds to wait before it. Faults of the link itself (dropped, half-open,
unplugged) are asked for with ``holds``.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Literal

from dewline_sim.typed_tree import build, read_yaml

LinkKind = Literal["tcp", "rtu", "ascii"]
Chunk = tuple[float, bytes]
Frame = Callable[[int, bytes], bytes]  # unit, pdu -> bytes on the wire


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault, as ``faults.yaml`` describes it."""

    links: tuple[LinkKind, ...]
    what: str
    read_as: str | None = None
    delay_s: float = 0.0
    of_link: bool = False


_FILE = read_yaml(resources.files("dewline_sim") / "faults.yaml")
KINDS = {kind: build(FaultKind, entry, kind) for kind, entry in _FILE.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault. Times are simulated epoch ms; delays are real seconds."""

    id: int
    kind: str
    link: str
    unit: int | None = None
    share: float = 1.0
    delay_s: float = 0.5
    gap_s: float = 0.02
    code: int = 4
    from_ms: int = 0
    until_ms: int | None = None

    def holds_at(self, now_ms: int) -> bool:
        """Whether it has begun and is not over at ``now_ms``."""
        return self.from_ms <= now_ms and (self.until_ms is None or now_ms < self.until_ms)


class Faults:
    """All faults of a lab, known and holding now. ``links`` names each link's kind.

    ``now_ms`` is the simulated time, set by the scene at every tick. Which
    exchanges a fault with a ``share`` strikes is drawn from ``rng``.
    """

    def __init__(self, links: Mapping[str, LinkKind], seed: int = 0) -> None:
        self.links = dict(links)
        self.now_ms = 0
        self.struck: Counter[str] = Counter()
        self._all: dict[int, Fault] = {}
        self._ids = itertools.count(1)
        self.rng = random.Random(f"faults/{seed}")

    def add(self, fault: Mapping[str, object]) -> Fault:
        """Switch a fault on: the fields of ``Fault`` but its ``id``, which is given here.

        Raises ValueError for a kind or link that does not exist or do not fit
        each other, and for a field that a fault does not have.
        """
        kind, link = str(fault.get("kind")), str(fault.get("link"))
        if kind not in KINDS:
            raise ValueError(f"no fault {kind!r}; there are {', '.join(KINDS)}")
        if link not in self.links:
            raise ValueError(f"no link {link!r}; there are {', '.join(self.links)}")
        if self.links[link] not in KINDS[kind].links:
            raise ValueError(f"{kind} does not exist on {self.links[link]} ({link})")
        default = {"delay_s": KINDS[kind].delay_s}
        made = build(Fault, default | dict(fault) | {"id": next(self._ids)}, "fault")
        self._all[made.id] = made
        return made

    def clear(self, which: int | None = None) -> int:
        """Switch one fault off, or all; returns how many that were."""
        gone = [i for i in self._all if which is None or i == which]
        for i in gone:
            del self._all[i]
        return len(gone)

    def active(self) -> list[Fault]:
        """Faults that hold now; those that are over are forgotten."""
        over = [f.id for f in self._all.values() if f.until_ms and f.until_ms <= self.now_ms]
        for i in over:
            del self._all[i]
        return [f for f in self._all.values() if f.holds_at(self.now_ms)]

    def any(self) -> bool:
        """Whether any fault is known, now or later."""
        return bool(self._all)

    def holds(self, kind: str, link: str) -> bool:
        """Whether a fault of the link itself holds now."""
        return bool(self._all) and any(f.kind == kind and f.link == link for f in self.active())

    def _strikes(self, link: str, unit: int | None) -> list[Fault]:
        if not self._all:
            return []
        return [
            f
            for f in self.active()
            if f.link == link
            and not KINDS[f.kind].of_link
            and f.unit in (None, unit)
            and (f.share >= 1.0 or self.rng.random() < f.share)
        ]

    def shape(self, link: str, unit: int, request: bytes, pdu: bytes, frame: Frame) -> list[Chunk]:
        """What leaves the instrument instead of the plain ``frame(unit, pdu)``.

        Faults of the reply's content change the PDU or the unit's number before
        it is framed; ``_on_the_wire`` then changes the bytes and their timing.
        No chunks: nothing is sent at all.
        """
        strikes = self._strikes(link, unit)
        if not strikes:
            return [(0.0, frame(unit, pdu))]
        number = unit
        for fault in strikes:
            self.struck[fault.kind] += 1
            if fault.kind == "exception":
                pdu = bytes((pdu[0] | 0x80, fault.code))
            elif fault.kind == "short":
                pdu = _fewer(pdu)
            elif fault.kind == "wrong-function":
                pdu = bytes((pdu[0] ^ 0x07,)) + pdu[1:]
            elif fault.kind == "wrong-unit":
                number = unit % 247 + 1
        return self._on_the_wire(strikes, frame(number, pdu), request)

    def shape_line(self, link: str, line: bytes) -> list[Chunk]:
        """The same for a line of text that an instrument streams."""
        strikes = self._strikes(link, None)
        for fault in strikes:
            self.struck[fault.kind] += 1
        return self._on_the_wire(strikes, line, b"") if strikes else [(0.0, line)]

    def _on_the_wire(self, strikes: list[Fault], data: bytes, request: bytes) -> list[Chunk]:
        by_kind = {f.kind: f for f in strikes}
        if "silence" in by_kind:
            return []
        if "crc" in by_kind:
            data = data[:-1] + bytes((data[-1] ^ 0x5A,))
        if "cut" in by_kind:
            data = data[: max(1, len(data) // 2)]
        if "noise-inside" in by_kind:
            data = self._flip(data)
        if "noise-before" in by_kind:
            data = self._noise() + data
        if "noise-after" in by_kind:
            data += self._noise()
        if "echo" in by_kind:
            data = request + data
        delay = sum(f.delay_s for f in strikes if f.kind in ("late", "slow"))
        if "split" in by_kind:
            return _pieces(data, delay, by_kind["split"].gap_s)
        return [(delay, data)]

    def _flip(self, data: bytes) -> bytes:
        at = self.rng.randrange(len(data))
        return data[:at] + bytes((data[at] ^ self.rng.randint(1, 255),)) + data[at + 1 :]

    def _noise(self) -> bytes:
        return self.rng.randbytes(self.rng.randint(1, 6))


def _fewer(pdu: bytes) -> bytes:
    """A sound read reply with one value in place of all (none lost where there is but one)."""
    if pdu[0] & 0x80 or len(pdu) < 4:
        return pdu
    width = 1 if pdu[0] < 3 else 2
    return bytes((pdu[0], width)) + pdu[2 : 2 + width]


def _pieces(data: bytes, delay: float, gap_s: float) -> list[Chunk]:
    third = max(1, len(data) // 3)
    cuts = [data[i : i + third] for i in range(0, len(data), third)]
    return [(delay if i == 0 else gap_s, piece) for i, piece in enumerate(cuts)]
