"""The Modbus side of a simulated instrument: units, their tables, PDUs and frames.

Written from the MODBUS Application Protocol V1.1b3 (§6 function codes, §7
exceptions) and the serial line guide V1.02 (§2.5.1 framing, §6.2.2 CRC), by
hand and apart from any client, so that faults can be put anywhere.
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Literal

from dewline_sim.faults import Chunk, Faults, Frame

Table = Literal["coil", "discrete", "holding", "input"]
TABLE_OF_FUNCTION: Mapping[int, Table] = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
#: Writing of every kind: V1.1b3 §6.5, 6.6, 6.11, 6.12, 6.16, 6.17.
WRITES = frozenset((5, 6, 15, 16, 22, 23))
MOST_BITS = 2000
MOST_REGISTERS = 125
ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3

Words = Mapping[Table, Mapping[int, int]]


class Unit:
    """One address on a line or behind a TCP port.

    ``words`` gives the whole bank when asked: table -> address -> word (or bit).
    ``counts`` counts requests by function code, answered or not; a unit that is not
    ``alive`` (no power) answers nothing.
    """

    def __init__(
        self, words: Callable[[], Words], alive: Callable[[], bool] = lambda: True
    ) -> None:
        self.counts: Counter[int] = Counter()
        self._words = words
        self._alive = alive

    def answer(self, pdu: bytes) -> bytes | None:
        """The reply PDU to a request PDU; None from a unit without power.

        Checks in the order of the standard (V1.1b3 §7): function, quantity,
        address. Whatever would write is answered with ILLEGAL FUNCTION.
        """
        function = pdu[0]
        self.counts[function] += 1
        if not self._alive():
            return None
        table = TABLE_OF_FUNCTION.get(function)
        if table is None:  # writes too: nothing here can be moved from outside
            return exception(function, ILLEGAL_FUNCTION)
        if len(pdu) != 5:
            return exception(function, ILLEGAL_VALUE)
        address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if not 1 <= count <= (MOST_BITS if function < 3 else MOST_REGISTERS):
            return exception(function, ILLEGAL_VALUE)
        bank = self._words().get(table, {})
        try:
            values = [bank[a] for a in range(address, address + count)]
        except KeyError:
            return exception(function, ILLEGAL_ADDRESS)
        data = packed_bits(values) if function < 3 else packed_words(values)
        return bytes((function, len(data))) + data


class Link:
    """Units that share a line or a port, and the faults on it."""

    def __init__(self, name: str, units: Mapping[int, Unit], faults: Faults) -> None:
        self.name = name
        self.units = units
        self.faults = faults

    def reply(self, number: int, request: bytes, pdu: bytes, frame: Frame) -> list[Chunk]:
        """What goes back for the whole ``request`` to a unit, of which ``pdu`` is a part.

        Nothing where no unit has that number, or where it has no power.
        """
        unit = self.units.get(number)
        reply = unit.answer(pdu) if unit is not None else None
        return [] if reply is None else self.faults.shape(self.name, number, request, reply, frame)


def exception(function: int, code: int) -> bytes:
    """An exception PDU: the function with its highest bit set, and the code (V1.1b3 §7)."""
    return bytes((function | 0x80, code))


def packed_bits(bits: Sequence[int]) -> bytes:
    """Bits, first one in the lowest place of the first byte; padded with zeros."""
    out = bytearray((len(bits) + 7) // 8)
    for i, bit in enumerate(bits):
        out[i >> 3] |= (bit & 1) << (i & 7)
    return bytes(out)


def packed_words(words: Sequence[int]) -> bytes:
    """16-bit words, each high byte first."""
    return b"".join(w.to_bytes(2, "big") for w in words)


def _crc_table() -> tuple[int, ...]:
    rows = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
        rows.append(crc)
    return tuple(rows)


_CRC = _crc_table()


def crc16(data: bytes) -> bytes:
    """CRC-16 of the serial line guide, low byte first, as sent."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """An RTU frame: unit, PDU, CRC (guide V1.02 §2.5.1)."""
    body = bytes((unit,)) + pdu
    return body + crc16(body)


def tcp_frame(transaction: bytes, unit: int, pdu: bytes) -> bytes:
    """MBAP header (transaction, protocol 0, length, unit) and PDU."""
    return transaction + struct.pack(">HHB", 0, len(pdu) + 1, unit) + pdu


def rtu_request_length(head: bytes) -> int | None:
    """Whole length of the request that begins so; None while it is not known yet."""
    if len(head) < 2:
        return None
    if head[1] in (15, 16):
        return 9 + head[6] if len(head) > 6 else None
    return 8 if 1 <= head[1] <= 6 else max(4, len(head))
