"""What a follower fails at: every failure counted, each text logged once per outage."""

from __future__ import annotations

import logging


class Failures:
    """Keeps the log of a day without a far side down to a few lines."""

    def __init__(self, log: logging.Logger) -> None:
        self.count = 0
        self._log = log
        self._logged: set[str] = set()

    def failed(self, where: str, error: Exception, expected: tuple[type[Exception], ...]) -> None:
        """Report a try that ended in ``error``; with its traceback where its type is unexpected."""
        text = f"{where}: {str(error) or type(error).__name__}"
        if isinstance(error, expected):
            self.report(text)
        else:
            self.report(text, error)

    def report(self, text: str, error: Exception | None = None) -> None:
        """Count a failure and log it; as an error with a traceback where ``error`` is given."""
        self.count += 1
        self._log_once(logging.WARNING if error is None else logging.ERROR, text, error)

    def note(self, text: str) -> None:
        """Log good news, also once per outage: a connection may come and go every second."""
        self._log_once(logging.INFO, text, None)

    def outage_over(self) -> None:
        """The far side works reliably again: log the same texts anew."""
        self._logged.clear()

    def _log_once(self, level: int, text: str, error: Exception | None) -> None:
        if text not in self._logged:
            self._logged.add(text)
            self._log.log(level, "%s", text, exc_info=error)
