"""Sending one page through Apprise to a real HTTP server, and what its answers mean."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.clock import RealClock
from dewline.followers.push.page import Page
from dewline.followers.push.target import HttpTrace, Target
from tests.conftest import Answer, Sink

PAGE = Page("9f1c", "high · saltmarsh", "HERON moisture 6.2 ppm. Go and look.", "details", "high")
SECRET = "canary-marsh-3f9a"


@pytest.fixture
def target(tmp_path: Path, sink: Sink) -> Target:
    """A target whose file holds the address of the sink; quick to give up."""
    file = tmp_path / "desk.url"
    file.write_text(f"json://127.0.0.1:{sink.port}/{SECRET}?rto=0.5&cto=0.5\n")
    return Target(file, RealClock())


async def test_a_page_arrives_with_title_text_and_id(target: Target, sink: Sink) -> None:
    """Title and lock-screen text first, the details and the id below."""
    sent = await target.send(PAGE)
    assert sent.fate == "delivered"
    (page,) = sink.pages()
    assert page["title"] == PAGE.title
    assert page["message"] == f"{PAGE.text}\n\ndetails\nid 9f1c"
    assert page["type"] == "failure"


@pytest.mark.parametrize(
    ("status", "headers", "fate", "wait_s"),
    [
        (429, {"Retry-After": "7"}, "later", 7.0),
        (503, {}, "later", None),
        (500, {}, "later", None),
        (504, {}, "unknown", None),
        (400, {}, "refused", None),
        (413, {}, "refused", None),
        (401, {}, "barred", None),
        (404, {}, "barred", None),
    ],
)
async def test_every_answer_has_its_fate(
    target: Target,
    sink: Sink,
    answer: type[Answer],
    status: int,
    headers: dict[str, Any] | dict[str, str],
    fate: str,
    wait_s: float | None,
) -> None:
    """RFC 9110: 429 and 5xx come later, 4xx never, a gateway's timeout nobody knows."""
    sink.usual = answer(status, headers)
    sent = await target.send(PAGE)
    assert (sent.fate, sent.wait_s) == (fate, wait_s)


async def test_an_answer_that_does_not_come_leaves_the_outcome_unknown(
    target: Target, sink: Sink, answer: type[Answer]
) -> None:
    """The page was taken, the answer was late: it may have arrived."""
    sink.usual = answer(wait_s=2.0)
    assert (await target.send(PAGE)).fate == "unknown"
    sink.usual = answer(drop=True)
    assert (await target.send(PAGE)).fate == "unknown"


async def test_nobody_there_means_not_arrived(tmp_path: Path, free_port: Callable[[], int]) -> None:
    """A refused connection and a name nobody knows: certainly not delivered."""
    for host in (f"127.0.0.1:{free_port()}", "no-such-host.invalid"):
        file = tmp_path / "desk.url"
        file.write_text(f"json://{host}/?rto=1&cto=1\n")
        assert (await Target(file, RealClock()).send(PAGE)).fate == "later"


@pytest.mark.parametrize("text", ["", "nonsense", "nosuchscheme://x/y", None])
async def test_a_bad_address_bars_and_names_only_the_file(tmp_path: Path, text: str | None) -> None:
    """Empty, unknown or missing: said with the name of the file."""
    file = tmp_path / "desk.url"
    if text is not None:
        file.write_text(text)
    sent = await Target(file, RealClock()).send(PAGE)
    assert sent.fate == "barred"
    assert "desk.url" in sent.why
    assert not text or text not in sent.why


async def test_a_mended_file_is_read_again(tmp_path: Path, sink: Sink) -> None:
    """No restart is needed to correct an address."""
    file = tmp_path / "desk.url"
    file.write_text("nonsense")
    target = Target(file, RealClock())
    assert (await target.send(PAGE)).fate == "barred"
    file.write_text(f"json://127.0.0.1:{sink.port}/")
    assert (await target.send(PAGE)).fate == "delivered"


async def test_what_bars_an_address_is_known_before_the_next_page(
    target: Target, sink: Sink, answer: type[Answer], tmp_path: Path
) -> None:
    """A missing file and a scheme that nobody knows are found without a page.

    What a provider said to the last page counts until one is delivered.
    """
    assert await Target(tmp_path / "none.url", RealClock()).barred() is not None
    assert "none.url" in (Target(tmp_path / "none.url", RealClock()).unreadable() or "")
    (tmp_path / "odd.url").write_text("nosuchscheme://x/y")
    assert "odd.url" in (await Target(tmp_path / "odd.url", RealClock()).barred() or "")
    assert await target.barred() is None
    sink.usual = answer(401)
    await target.send(PAGE)
    assert await target.barred() == "answered 401"
    sink.usual = answer(200)
    await target.send(PAGE)
    assert await target.barred() is None


async def test_the_address_stands_in_no_log(
    target: Target, sink: Sink, answer: type[Answer], caplog: pytest.LogCaptureFixture
) -> None:
    """With every logger at its most talkative, also when it goes wrong."""
    caplog.set_level(logging.DEBUG)
    await target.send(PAGE)
    sink.usual = answer(401)
    sent = await target.send(PAGE)
    logging.getLogger("test").warning("%s %s", target.label, sent)
    assert "answered 401" in caplog.text
    assert SECRET not in caplog.text
    assert str(sink.port) not in caplog.text


@pytest.mark.long
async def test_a_stalled_provider_does_not_hold_up_the_loop(
    tmp_path: Path, sink: Sink, answer: type[Answer]
) -> None:
    """While a provider takes 2 s to answer, a task that wakes every 5 ms is never that late."""
    file = tmp_path / "desk.url"
    file.write_text(f"json://127.0.0.1:{sink.port}/{SECRET}?rto=20&cto=20\n")
    target = Target(file, RealClock())
    await target.send(PAGE)  # loading Apprise costs once
    sink.usual = answer(wait_s=2.0)
    late_ms: list[float] = []

    async def tick() -> None:
        while True:
            before = time.monotonic()
            await asyncio.sleep(0.005)
            late_ms.append((time.monotonic() - before - 0.005) * 1000)

    ticking = asyncio.create_task(tick())
    await target.send(PAGE)
    ticking.cancel()
    assert max(late_ms) < 1000
    assert len(late_ms) > 5


@pytest.mark.parametrize(
    ("text", "wait_s"),
    [
        ("120", 120.0),
        ("999999", 3600.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", 59.0),
        ("Fri, 31 Dec 1999 23:00:00 GMT", 0.0),
        ("soon", None),
        (None, None),
    ],
)
def test_retry_after_is_seconds_or_a_date(text: str | None, wait_s: float | None) -> None:
    """RFC 9110, 10.2.3: delay-seconds or HTTP-date (its example); an hour at most."""
    assert HttpTrace(retry_after=text).wait_s(946_684_740.0) == wait_s
