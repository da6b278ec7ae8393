"""Makes the followers that a plan asks for.

Each is imported only where it is wanted: their libraries take long to load and much memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from dewline import __version__
from dewline.clock import Clock
from dewline.config import Plan
from dewline.config.plan import InfluxPlan, MqttPlan
from dewline.followers.follower import Follower
from dewline.followers.mqtt.commands import Submit
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.journal import Journal, Reader
from dewline.readings import iso_utc


@dataclass(frozen=True, slots=True)
class FollowerFactory:
    """Makes followers of one daemon's journal.

    ``submit`` puts a command to the watch, ``facts`` gives the content of the MQTT heartbeat
    (None: there is no progress to tell of). ``started_ms`` is the wall time of the start.
    """

    clock: Clock
    journal: Journal
    submit: Submit
    facts: Callable[[], HeartbeatFacts | None]
    started_ms: int
    clock_is_right: Callable[[], bool]

    def make(self, plan: Plan) -> Iterator[Follower]:
        """The followers of ``plan``, in the order of their start."""
        if plan.mqtt is not None:
            yield self._mqtt(plan, plan.mqtt)
        if plan.influx is not None:
            yield self._influx(plan, plan.influx)
        if plan.contacts:
            yield self._push(plan)

    def _mqtt(self, plan: Plan, mqtt: MqttPlan) -> Follower:
        from dewline.followers.mqtt.follower import MqttFollower  # noqa: PLC0415

        journal = self.journal
        return MqttFollower(
            mqtt,
            plan.site,
            self.clock,
            reader=lambda: Reader(journal.path),
            advance=lambda seq: journal.advance("mqtt", event_seq=seq),
            advance_ledger=lambda row: journal.advance(MqttFollower.of_ledger, event_seq=row),
            submit=self.submit,
            facts=self.facts,
            units={name: signal.unit for name, signal in plan.watch.signals.items()},
            started=iso_utc(self.started_ms),
            version=__version__,
        )

    def _influx(self, plan: Plan, influx: InfluxPlan) -> Follower:
        from dewline.followers.influx.follower import InfluxFollower  # noqa: PLC0415

        return InfluxFollower(
            influx,
            plan.site,
            self.clock,
            self.journal,
            rules=plan.watch.rules.values(),
            clock_is_right=self.clock_is_right,
        )

    def _push(self, plan: Plan) -> Follower:
        from dewline.followers.push.follower import PushFollower  # noqa: PLC0415

        return PushFollower(plan, self.clock, self.journal)


def follower_plan(plan: Plan) -> object:
    """The part of a plan that its followers are made from: where it differs, make new ones."""
    rules = plan.watch.rules if plan.contacts or plan.influx else None
    return plan.mqtt, plan.influx, plan.contacts, plan.box_contacts, rules, plan.watch.signals
