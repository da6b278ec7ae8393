"""Instruments that speak lines of text: one that streams, one that answers when asked."""

from __future__ import annotations

from functools import reduce
from operator import xor

from dewline_sim.instruments.instrument import Instrument
from dewline_sim.instruments.registers import Register, State


class FrostMeter(Instrument):
    """Says its frost point and sample pressure once a second, unasked:
    ``FP -076.2 C P 1016.4 mbar``.
    """

    EVERY_MS = 1000

    def registers(self) -> tuple[Register, ...]:
        """Two values; what fits into the line."""
        return (
            Register(name="frost_point", table="input", address=0, type="int16", per=0.1),
            Register(name="sample_pressure", table="input", address=1, per=0.1),
        )

    def line(self) -> bytes:
        """The next line; asterisks where there is nothing to say."""
        frost, pressure = self.channel("frost_point"), self.channel("sample_pressure")
        sound = frost.state in (State.SOUND, State.UNDER) and not self._blank()
        said = f"{_tenths(frost.value):+06.1f}" if sound else "+***.*"
        return f"FP {said} C P {_tenths(pressure.value):06.1f} mbar\r\n".encode()

    def shown(self, register: str) -> tuple[float | None, str]:
        if not self.powered:
            return None, "bad/no-answer"
        channel = self.channel(register)
        if register == "frost_point" and channel.state not in (State.SOUND, State.UNDER):
            return None, "bad/no-answer"  # the line cannot be read
        return _tenths(channel.value), "good"


class MoistureMeter(Instrument):
    """Answers ``H?`` with ``H +0012.34 ppm *5A``; the last is the exclusive or of what is before
    the star.
    """

    ASKED = b"H?\r"

    def registers(self) -> tuple[Register, ...]:
        return (Register(name="h2o", table="input", address=0, type="int32", per=0.01, floor=0.05),)

    def line(self) -> bytes:
        """The answer."""
        body = f"H {self.channel('h2o').value:+08.2f} ppm ".encode()
        return body + b"*%02X\r" % reduce(xor, body)


def _tenths(value: float) -> float:
    return round(value * 10.0) / 10.0


TALKERS: dict[str, type[FrostMeter] | type[MoistureMeter]] = {
    "frost-stream": FrostMeter,
    "moisture-ask": MoistureMeter,
}
