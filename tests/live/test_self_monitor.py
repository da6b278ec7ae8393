"""What the daemon feeds to the watch about itself."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

import pytest

from dewline.clock import RealClock
from dewline.events import Entry
from dewline.followers.follower import FollowerStatistics
from dewline.live.running_followers import RunningFollowers
from dewline.live.self_monitor import SelfMonitor
from dewline.readings import Scan


class Barred:
    """A follower one of whose roads is barred."""

    why: str | None = "cannot read desk.url"

    def __init__(self, road: str = "page-desk") -> None:
        self.name = road

    async def run(self) -> None:
        """Nothing."""

    def stop(self) -> None:
        """Nothing."""

    def committed(self, entries: Sequence[Entry]) -> None:
        """Nothing."""

    def held(self, entries: Sequence[Entry]) -> None:
        """Nothing."""

    def statistics(self) -> FollowerStatistics:
        """As it stands."""
        return FollowerStatistics(False, 0, 0.0, 0, 0, {self.name: self.why})


@pytest.mark.parametrize(("why", "value"), [("cannot read desk.url", 1.0), (None, 0.0)])
def test_a_barred_road_is_a_signal(tmp_path: Path, why: str | None, value: float) -> None:
    """It is fed with every measure, so that the alarm comes and goes by itself."""
    fed: list[Scan] = []
    monitor = SelfMonitor({"daemon.page-desk-barred"}, lambda: (1000, 1000), fed.append, tmp_path)
    follower = Barred()
    follower.why = why
    monitor.measure([follower])
    assert fed[-1].readings["daemon.page-desk-barred"].value == value


def test_the_buses_that_are_lost_are_counted(tmp_path: Path) -> None:
    """With every change of a link, in the same scan; a site of one bus has no such signal."""
    names = {"daemon.a-link", "daemon.b-link", "daemon.buses-lost"}
    fed: list[Scan] = []
    monitor = SelfMonitor(names, lambda: (1000, 1000), fed.append, tmp_path)
    for bus, up in (("a", 1.0), ("b", 1.0), ("a", 0.0), ("b", 0.0), ("b", 1.0)):
        monitor.set(f"{bus}-link", up)
    lost = [scan.readings.get("daemon.buses-lost") for scan in fed]
    assert [r and r.value for r in lost] == [0.0, None, 1.0, 2.0, 1.0]
    monitor = SelfMonitor({"daemon.a-link"}, lambda: (1000, 1000), fed.append, tmp_path)
    monitor.set("a-link", 0.0)
    assert set(fed[-1].readings) == {"daemon.a-link"}


@pytest.mark.parametrize(
    ("whys", "shut"),
    [(["gone", "gone"], True), (["gone", None], False), ([None, None], False), ([], False)],
)
async def test_no_ping_goes_out_where_nobody_can_be_told(
    whys: list[str | None], shut: bool
) -> None:
    """With every road barred the receiver outside is the last that can call somebody."""
    followers = RunningFollowers(
        start_task=lambda _name, job: asyncio.ensure_future(cast(Any, job())),
        clock=RealClock(),
        journal=cast(Any, None),
        submit=cast(Any, None),
        facts=lambda: None,
        watch=cast(Any, None),
        started_ms=0,
        clock_is_right=lambda: True,
    )
    for number, why in enumerate(whys):
        follower = Barred(f"page-{number}")
        follower.why = why
        done = asyncio.ensure_future(asyncio.sleep(0))
        followers._running[follower.name] = (follower, done)
    assert bool(followers.shut_roads()) == shut
