"""The site's own clock, from wall time that came with the items."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo


class LocalTime:
    """Days and minutes at the site. ``offset_ms`` is wall time minus watch time."""

    def __init__(self, timezone: str) -> None:
        self._zone = UTC if timezone == "UTC" else ZoneInfo(timezone)
        self.offset_ms = 0

    def label(self, at_ms: int) -> int:
        """Wall time of a moment of watch time."""
        return at_ms + self.offset_ms

    def day_minute(self, at_ms: int) -> tuple[int, int]:
        """Day number (proleptic) and minute after local midnight."""
        local = datetime.fromtimestamp(self.label(at_ms) / 1000, self._zone)
        return local.toordinal(), local.hour * 60 + local.minute
