"""Every error dewline raises on purpose.

DewlineError
├── UnitError            a quantity that cannot be read or converted
├── FormulaError         an expression that cannot be read, or whose units do not fit
├── OutOfRange           physics asked outside the range where its formula holds
├── ConfigError          one or more Problems in a config, each with file, line and remedy
├── CommandError         a person asked for what is not there or not allowed
├── BusError             an exchange that gave no reading
│   ├── LinkDown         the port or the connection is gone
│   ├── NoReply          silence until the deadline
│   ├── BadFrame         an answer that is not the answer to the question
│   └── Refused          a Modbus exception reply
├── JournalError         the record cannot be read or written
└── FollowerError        the far side refuses or is away

Foreign errors are translated once, at the edge where they arise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class DewlineError(Exception):
    """Root of the tree; its text is fit for a person."""


class UnitError(DewlineError, ValueError):
    """A quantity that cannot be read or converted."""


class FormulaError(DewlineError):
    """An expression that cannot be read, or whose units do not fit; ``remedy``: what to write."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.remedy = remedy


class OutOfRange(DewlineError, ValueError):
    """An argument outside the range where a formula holds."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One mistake in a config: where it stands, what it is, what to write instead."""

    file: str
    line: int
    column: int
    key: str
    problem: str
    remedy: str
    grave: bool = False

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.key}: {self.problem}; {self.remedy}"


class ConfigError(DewlineError):
    """All problems of a config at once."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = tuple(problems)


class CommandError(DewlineError):
    """A command that cannot be done; the text says why."""


class BusError(DewlineError):
    """An exchange with an instrument that gave no reading."""


class LinkDown(BusError):
    """The port or the connection is gone."""


class NoReply(BusError):
    """Silence until the deadline."""


class BadFrame(BusError):
    """An answer that is not the answer to the question asked."""


class Refused(BusError):
    """A Modbus exception reply."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code}")
        self.code = code


class JournalError(DewlineError):
    """The record cannot be read or written."""


class FollowerError(DewlineError):
    """The far side of a follower refuses or is away."""
