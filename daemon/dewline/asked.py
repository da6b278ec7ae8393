"""What people ask of the daemon, turned into items and rows. Pure."""

from __future__ import annotations

from typing import Any

from dewline.errors import CommandError
from dewline.readings import Command, LedgerRow
from dewline.watch.ledgers.leak_test import leak_test_row
from dewline.watch.plan import WatchPlan


def command_of(request: dict[str, Any], stamp: tuple[int, int], source: str) -> Command:
    """The watch input of a request {command, by, alarm, for_s, why, box, kind}."""
    return Command(
        *stamp,
        source,
        request["command"],
        str(request.get("by") or "unknown"),
        alarm=request.get("alarm"),
        for_s=request.get("for_s"),
        why=request.get("why"),
        box=request.get("box"),
        kind=request.get("kind"),
    )


def leak_test_of(request: dict[str, Any], plan: WatchPlan) -> LedgerRow:
    """The ledger row of {box, started_ms, ended_ms, document}; CommandError if it is none."""
    try:
        box = plan.boxes[request["box"]].name
        span = request["started_ms"], request["ended_ms"]
        return leak_test_row(plan.site, box, *span, request["document"])
    except (KeyError, TypeError, ValueError) as error:
        raise CommandError(f"not written: {error}") from None
