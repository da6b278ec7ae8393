"""What went wrong on the way out: counted always, told once an outage."""

from __future__ import annotations

import logging


class Failures:
    """Keeps a day without a far side down to a few lines of log."""

    def __init__(self, log: logging.Logger) -> None:
        self.count = 0
        self._log = log
        self._told: set[str] = set()

    def failed(self, where: str, error: Exception, expected: tuple[type[Exception], ...]) -> None:
        """A try ended in ``error``; with its traceback where it is none of the expected."""
        text = f"{where}: {str(error) or type(error).__name__}"
        if isinstance(error, expected):
            self.tell(text)
        else:
            self.tell(text, error)

    def tell(self, text: str, error: Exception | None = None) -> None:
        """Count and warn."""
        self.count += 1
        self._once(logging.WARNING if error is None else logging.ERROR, text, error)

    def note(self, text: str) -> None:
        """Say what is well, once an outage too: a link may come and go every second."""
        self._once(logging.INFO, text, None)

    def outage_over(self) -> None:
        """The far side was there for good: what comes now is news again."""
        self._told.clear()

    def _once(self, level: int, text: str, error: Exception | None) -> None:
        if text not in self._told:
            self._told.add(text)
            self._log.log(level, "%s", text, exc_info=error)
