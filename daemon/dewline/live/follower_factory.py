"""Which followers a plan wants, each made only where it is wanted: their libraries are heavy."""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Iterator
from typing import Any

from dewline import __version__
from dewline.clock import Clock
from dewline.config import Plan
from dewline.config.plan import HeartbeatPlan
from dewline.followers.follower import Follower
from dewline.followers.mqtt.commands import Submit
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.journal import Journal, Reader
from dewline.readings import iso_utc


def followers(
    plan: Plan,
    clock: Clock,
    journal: Journal,
    *,
    submit: Submit,
    facts: Callable[[], HeartbeatFacts | None],
    started_ms: int,
    clock_is_right: Callable[[], bool],
) -> Iterator[Follower]:
    """The followers of ``plan``, in the order of their start."""

    def reader() -> Reader:
        return Reader(plan.journal.path)

    if plan.mqtt is not None:
        from dewline.followers.mqtt.follower import MqttFollower  # noqa: PLC0415

        yield MqttFollower(
            plan.mqtt,
            plan.site,
            clock,
            reader=reader,
            advance=lambda seq: journal.advance("mqtt", event_seq=seq),
            advance_ledger=lambda row: journal.advance(MqttFollower.of_ledger, event_seq=row),
            submit=submit,
            facts=facts,
            units={name: signal.unit for name, signal in plan.watch.signals.items()},
            started=iso_utc(started_ms),
            version=__version__,
        )
    if plan.influx is not None:
        from dewline.followers.influx.follower import InfluxFollower  # noqa: PLC0415
        from dewline.followers.influx.rewind import Mark  # noqa: PLC0415

        def kept(mark: Mark) -> None:
            journal.advance("influx", item_seq=mark.item_seq, event_seq=mark.event_seq)
            journal.advance(InfluxFollower.of_ledger, event_seq=mark.ledger_row)

        yield InfluxFollower(
            plan.influx,
            plan.site,
            clock,
            reader=reader,
            advance=kept,
            dead_letter=lambda *letter: journal.put_dead_letter("influx", *letter),
            rules=plan.watch.rules.values(),
            clock_is_right=clock_is_right,
        )
    if plan.contacts:
        from dewline.followers.push.follower import PushFollower  # noqa: PLC0415

        def told(cursor: str, seq: int) -> None:
            """On disk at once, so that nobody is woken twice."""
            journal.advance(cursor, event_seq=seq)
            journal.commit_soon()

        yield PushFollower(
            plan,
            clock,
            reader=reader,
            advance=told,
            dead_letter=lambda *letter: journal.put_dead_letter("push", *letter),
        )


def heartbeat(
    plan: HeartbeatPlan | None, clock: Clock, behind: Callable[[], tuple[str, ...]]
) -> Callable[[], Coroutine[Any, Any, None]]:
    """The job that pings the outside; one that is done at once where nobody is to be pinged."""
    if plan is None:
        return _nobody
    from dewline.live.heartbeat import Heartbeat  # noqa: PLC0415

    return Heartbeat(plan, clock, behind).run


async def _nobody() -> None:
    """Nothing to do."""


def part(plan: Plan) -> object:
    """What of a plan its followers are made from: where it differs, they are made anew."""
    rules = plan.watch.rules if plan.contacts or plan.influx else None
    return plan.mqtt, plan.influx, plan.contacts, plan.box_contacts, rules, plan.watch.signals
