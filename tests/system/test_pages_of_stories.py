"""Whom the simulated lab's nights wake: told by the simulator, judged by the built-in rules.

That an ordinary week calls nobody, and that a climb calls one person who can be
relieved, is common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import yaml

from dewline.config import load
from dewline.drive import Drive
from dewline.followers.hours import zone_of
from dewline.followers.lockscreen import Writer
from dewline.followers.outbox import Batch, Outbox
from dewline.readings import QUALITY_BY_TEXT, Command, Quality, Reading, Resumed, Scan
from dewline.watch.watch import Watch
from dewline_sim.command import scene_of
from dewline_sim.config import config_of

MINUTE_MS = 60_000
STEP_MS = 2000
PUSH = {
    "contacts": {
        "night-desk": {
            "url_file": "night.url",
            "hours": "18:00-08:00",
            "escalate_after": "15 min",
            "then": "lab-head",
        },
        "lab-head": {"url_file": "head.url", "from_priority": "critical"},
    }
}


class Night:
    """A story through the watch to the phones of two people, with a word from them between."""

    def __init__(self, folder, name, hours, without=()):
        self.scene = scene_of(name, hours=hours)
        self.plan = self._plan(folder, self.scene.story)
        self._without = without
        zone = zone_of(self.plan.watch.timezone)
        writer = Writer(self.plan.site, zone, self.plan.watch.rules)
        self.phones = {
            name: Outbox(
                contact,
                frozenset(p for p, who in self.plan.box_contacts.items() if name in who),
                zone,
                writer,
            )
            for name, contact in self.plan.contacts.items()
        }
        self.pages = []
        self.readings = 0
        self.drive = Drive(Watch(self.plan.watch), self.plan.hash, self._record)

    def _plan(self, folder, story):
        places = {
            bus: {"host": "127.0.0.1", "port": 5020}
            if entry["kind"] == "tcp"
            else {"port": f"/dev/{bus}"}
            for bus, entry in story.setup["buses"].items()
        }
        path = folder / "dewline.yaml"
        path.write_text(yaml.safe_dump({**config_of(story, places), "push": PUSH}))
        return load(path).plan

    def _record(self, entry):
        for event in entry.outcome.events:
            self.send(event.time_ms)
            for phone in self.phones.values():
                phone.take(event.document(), event.time_ms)

    def send(self, now_ms):
        """What is due until then goes out."""
        for name, phone in self.phones.items():
            at_ms = phone.oldest_ms() or now_ms
            while (found := phone.next(at_ms)) is not None:
                if isinstance(found, Batch):
                    self.pages.append((name, found.page))
                    phone.settled(found, at_ms)
                elif found > now_ms:
                    break
                else:
                    at_ms = found

    def tell(self):
        """The whole story, a scan of everything every two seconds; its last moment in ms."""
        scene = self.scene
        self.drive.feed(Resumed(scene.now_ms, scene.now_ms, "start", 0, self.plan.hash))
        while not scene.ended:
            now_ms, shown = scene.now_ms, self.shown()
            self.readings += len(shown)
            self.drive.feed(Scan(now_ms, now_ms, "lab", shown))
            scene.advance(now_ms + STEP_MS)
        self.send(scene.now_ms + MINUTE_MS)
        return scene.now_ms

    def shown(self):
        """What the instruments show now."""
        return {
            signal: Reading(number, QUALITY_BY_TEXT[quality])
            for signal, number, quality in self.scene.shown()
            if not signal.startswith(self._without)
        }

    def of(self, word):
        return [(who, page.tone) for who, page in self.pages if word in page.text]


def test_two_ordinary_nights_wake_nobody(tmp_path):
    """From Monday midnight to Tuesday morning, two boxes, work by day: not one page."""
    night = Night(tmp_path, "ordinary", 33)
    end_ms = night.tell()
    assert datetime.fromtimestamp(end_ms / 1000, UTC).hour >= 8
    assert [page.text for _, page in night.pages] == []
    assert night.readings > 1_000_000


@pytest.fixture(scope="module")
def climb(tmp_path_factory):
    """The night in which heron's bed is full of water, until six in the morning."""
    night = Night(tmp_path_factory.mktemp("climb"), "night", 10, without=("egret.",))
    return night, night.tell()


def test_a_climb_pages_once_escalates_falls_silent_and_tells_its_end_once(climb):
    """One page to the night desk; nobody answers: one to the lab head; acknowledged: silence.

    The return reaches both, once.
    """
    night, end_ms = climb
    assert night.of("HERON moisture") == [("night-desk", "high"), ("lab-head", "high")]
    at_ms = end_ms + MINUTE_MS
    night.drive.feed(
        Command(at_ms, at_ms, "mqtt", "acknowledge", "rui", alarm="heron.moisture-high")
    )
    quiet = len(night.pages)
    clean = {**night.shown(), "heron.moisture": Reading(0.2, Quality.GOOD)}
    wet = {**clean, "heron.moisture": Reading(6.0, Quality.GOOD)}
    for minute in range(1, 120):
        now_ms = at_ms + minute * MINUTE_MS
        for second in range(0, 60, 5):
            moment_ms = now_ms + second * 1000
            night.drive.feed(Scan(moment_ms, moment_ms, "lab", wet if minute < 60 else clean))
        night.send(now_ms)
        if minute == 59:
            assert len(night.pages) == quiet
    assert [(who, page.tone) for who, page in night.pages[quiet:]] == [
        ("night-desk", "over"),
        ("lab-head", "over"),
    ]


def test_every_page_of_the_night_is_short_and_ends_in_a_next_step(climb):
    """Under 200 characters with its title, and the advice of its rule in it."""
    night, _ = climb
    steps = {rule.advice[:25] for rule in night.plan.watch.rules.values() if rule.advice}
    assert night.pages
    for _, page in night.pages:
        assert len(page.title) + 1 + len(page.text) < 200
        assert page.tone == "over" or any(step in page.text for step in steps)
