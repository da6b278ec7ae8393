"""Instruments that send lines of text: one that streams, one that answers when asked."""

from __future__ import annotations

from functools import reduce
from operator import xor

from dewline_sim.instruments.instrument import Instrument
from dewline_sim.instruments.registers import State


class FrostMeter(Instrument):
    """A frost-point meter that sends its reading once a second, unasked.

    A line is ``FP -076.2 C P 1016.4 mbar``: frost point in degC, absolute
    pressure of the sample in mbar, ended by CR LF.
    """

    def line(self) -> bytes:
        """The next line; asterisks in place of a frost point that is not known."""
        frost, pressure = self.channel("frost_point"), self.channel("sample_pressure")
        sound = frost.state in (State.SOUND, State.UNDER) and not self._blank()
        number = f"{_tenths(frost.value):+06.1f}" if sound else "+***.*"
        return f"FP {number} C P {_tenths(pressure.value):06.1f} mbar\r\n".encode()

    def shown(self, register: str) -> tuple[float | None, str]:
        """Number and quality word that a reader of the line gets, in steps of a tenth."""
        if not self.powered:
            return None, "bad/no-answer"
        channel = self.channel(register)
        if register == "frost_point" and channel.state not in (State.SOUND, State.UNDER):
            return None, "bad/no-answer"  # the line cannot be read
        return _tenths(channel.value), "good"


class MoistureMeter(Instrument):
    """A moisture meter that answers the question ``H?`` (ended by CR).

    An answer is ``H +0012.34 ppm *5A``: ppm by volume, then the exclusive or of
    all bytes before the star as two hexadecimal digits, ended by CR.
    """

    QUESTION = b"H?\r"

    def line(self) -> bytes:
        """The answer to one question."""
        body = f"H {self.channel('h2o').value:+08.2f} ppm ".encode()
        return body + b"*%02X\r" % reduce(xor, body)


def _tenths(value: float) -> float:
    return round(value * 10.0) / 10.0


TEXT_METERS: dict[str, type[FrostMeter] | type[MoistureMeter]] = {
    "frost-stream": FrostMeter,
    "moisture-ask": MoistureMeter,
}
