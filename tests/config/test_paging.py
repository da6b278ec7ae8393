"""Contacts, test pages and the ping to the outside, as a user writes them."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewline.config import load
from dewline.config.plan import Plan
from dewline.errors import ConfigError

HEAD = "site: saltmarsh\nboxes: {heron: {}}\n"


def plan_of(tmp_path: Path, text: str) -> Plan:
    path = tmp_path / "dewline.yaml"
    path.write_text(HEAD + text)
    return load(path).plan


def test_a_daily_test_page_and_a_ping(tmp_path: Path) -> None:
    """Times of day are minutes after midnight; the ping's address comes from a file."""
    plan = plan_of(
        tmp_path,
        'push: {contacts: {desk: {url_file: desk.url, test_at: "09:30"}}}\n'
        "heartbeat: {url_file: ping.url, every: 5 min}\n",
    )
    assert plan.contacts["desk"].test_at_minute == 570
    assert plan.heartbeat is not None
    assert plan.heartbeat.url_file == tmp_path / "ping.url"
    assert plan.heartbeat.every_ms == 300_000
    assert "push-behind" in {rule.rule for rule in plan.watch.rules.values()}


def test_without_them_there_is_neither(tmp_path: Path) -> None:
    """Nothing is sent anywhere that nobody asked for."""
    plan = plan_of(tmp_path, "")
    assert (plan.contacts, plan.heartbeat) == ({}, None)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("push: {contacts: {desk: {url_file: d.url, test_at: 19:30}}}", "test_at"),
        ('push: {contacts: {desk: {url_file: d.url, test_at: "24:00"}}}', "no time of day"),
        ('heartbeat: {url_file: "https://marsh.invalid/canary"}', "is an address"),
        ("heartbeat: {url_file: p.url, every: 10 ms}", "every"),
    ],
)
def test_mistakes_are_told(tmp_path: Path, text: str, says: str) -> None:
    """With the key, and never with an address that may be a secret."""
    with pytest.raises(ConfigError) as caught:
        plan_of(tmp_path, text + "\n")
    assert says in str(caught.value)
    assert "canary" not in str(caught.value)
