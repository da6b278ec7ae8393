"""How long a serial Modbus exchange takes on the wire.

Source: MODBUS over Serial Line, Specification and Implementation Guide V1.02, 2.5.1:
11 bits a character in RTU mode; 3.5 characters of silence between frames; above
19200 baud a fixed 1.750 ms is recommended.
"""

from __future__ import annotations

from dewline.config.plan import SerialLine

_REQUEST_CHARACTERS = 8  # unit, function, address 2, count 2, CRC 2
_REPLY_OVERHEAD_CHARACTERS = 5  # unit, function, byte count, CRC 2


def character_s(line: SerialLine) -> float:
    """Seconds of one character as this line is set: start, data, parity and stop bits."""
    bits = 1 + line.data_bits + (line.parity != "none") + line.stop_bits
    return bits / line.baud


def silence_s(baud: int, bits: int = 11) -> float:
    """t3.5, the silence between two RTU frames, in seconds."""
    return 3.5 * bits / baud if baud <= 19200 else 1.75e-3


def line_silence_s(line: SerialLine) -> float:
    """t3.5 of this line, in seconds."""
    return silence_s(line.baud, round(character_s(line) * line.baud))


def exchange_ms(baud: int, registers: int, bits: int = 11) -> float:
    """Shortest possible read of ``registers`` registers, in ms, by an instrument with no delay.

    (8 + 5 + 2N) characters and two silences of 3.5 characters; a lower bound.
    """
    characters = _REQUEST_CHARACTERS + _REPLY_OVERHEAD_CHARACTERS + 2 * registers
    return 1000 * (characters * bits / baud + 2 * silence_s(baud, bits))
