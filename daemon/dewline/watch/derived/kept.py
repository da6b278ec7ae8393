"""Saving and restoring parts by the names of their attributes."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from typing import Any, ClassVar


class Kept:
    """A part whose whole state is the attributes named in ``KEPT``.

    Each is a plain JSON value (lists, not tuples) or a part of its own kind.
    """

    KEPT: ClassVar[tuple[str, ...]] = ()

    def save(self) -> dict[str, Any]:
        """Everything, ready for JSON; a copy."""
        return {name: _saved(getattr(self, name)) for name in self.KEPT}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up a saved state; what it does not name stays as it is."""
        for name in self.KEPT:
            if name not in state:
                continue
            part = getattr(self, name)
            if isinstance(part, Kept):
                part.restore(state[name])
            else:
                setattr(self, name, deepcopy(state[name]))


def _saved(value: Any) -> Any:
    return value.save() if isinstance(value, Kept) else deepcopy(value)
