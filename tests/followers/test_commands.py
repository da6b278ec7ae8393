"""Commands that come in from anyone: parsed, refused in plain words, never an exception."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.config.plan import MqttPlan
from dewline.errors import CommandError, FollowerError
from dewline.events import Reply
from dewline.followers.mqtt.commands import (
    KEYS,
    MAX_BYTES,
    NAMES,
    CommandHandler,
    parse_untrusted,
    token_of,
)
from dewline.followers.secret import TokenFile
from dewline.readings import compact_json

GOOD = {"command": "acknowledge", "alarm": "heron.moisture-high", "by": "mira"}
RESULT_KEYS = {"ref", "command", "alarm", "ok", "message", "event_id"}


class Watch:
    """Takes commands and says what it is told to say."""

    def __init__(self, reply: Reply | Exception | None = None) -> None:
        self.taken: list[dict[str, Any]] = []
        self.reply = reply or Reply(True, "acknowledged", "00c0ffee00c0ffee")

    def submit(self, command: dict[str, Any]) -> Reply:
        self.taken.append(command)
        if isinstance(self.reply, Exception):
            raise self.reply
        return self.reply


class Stopwatch:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture
def handler(watch: Watch) -> CommandHandler:
    return CommandHandler(watch.submit, None, Stopwatch())


async def answer_of(handler: CommandHandler, document: object) -> dict[str, Any] | None:
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    return await handler.answer(payload)


async def ask(handler: CommandHandler, document: object) -> dict[str, Any]:
    answer = await answer_of(handler, document)
    assert answer is not None
    return answer


async def test_a_good_command_reaches_the_watch_and_is_answered(
    handler: CommandHandler, watch: Watch
) -> None:
    """The watch gets command, alarm, by, for_s, why; the answer bears the ref."""
    document = {**GOOD, "ref": "r-1", "why": "on it"}
    assert await ask(handler, document) == {
        "ref": "r-1",
        "command": "acknowledge",
        "alarm": "heron.moisture-high",
        "ok": True,
        "message": "acknowledged",
        "event_id": "00c0ffee00c0ffee",
    }
    assert watch.taken == [{**GOOD, "for_s": None, "why": "on it"}]


@pytest.mark.parametrize("name", NAMES)
async def test_each_command_is_taken(handler: CommandHandler, watch: Watch, name: str) -> None:
    """The five commands of the contract are taken, and no other word is."""
    assert (await ask(handler, {**GOOD, "command": name, "for_s": 60}))["ok"]
    assert watch.taken[0]["command"] == name
    assert watch.taken[0]["for_s"] == 60.0


BAD = {
    "no JSON": (b"acknowledge!", "JSON object"),
    "no UTF-8": (b"\xff\xfe", "JSON object"),
    "a list": ([GOOD], "JSON object"),
    "endless nesting": (b"[" * 4000, "JSON object"),
    "key twice": (b'{"command":"shelve","command":"acknowledge"}', "each key once"),
    "not a number": (b'{"command":"shelve","for_s":NaN}', "JSON object"),
    "oversized": (json.dumps({**GOOD, "why": "x" * MAX_BYTES}).encode(), "longer than 4096"),
    "unknown key": ({**GOOD, "priority": "low"}, "unknown key 'priority'"),
    "reset": ({**GOOD, "command": "reset"}, "reset is not taken over MQTT"),
    "unknown command": ({**GOOD, "command": "open-valve"}, "command must be one of"),
    "command no text": ({**GOOD, "command": ["acknowledge"]}, "command must be one of"),
    "alarm missing": ({"command": "acknowledge", "by": "mira"}, "alarm must be a name"),
    "alarm no name": ({**GOOD, "alarm": "heron/#"}, "alarm must be a name"),
    "alarm no text": ({**GOOD, "alarm": 7}, "alarm must be a name"),
    "by missing": ({"command": "acknowledge", "alarm": "heron.moisture-high"}, "by must say"),
    "by empty": ({**GOOD, "by": " "}, "one line of text"),
    "by no text": ({**GOOD, "by": {"name": "mira"}}, "one line of text"),
    "by with line break": ({**GOOD, "by": "mira\nroot"}, "one line of text"),
    "by half a character": (b'{"command":"acknowledge","alarm":"a.b","by":"\\ud800"}', "one line"),
    "by endless": ({**GOOD, "by": "m" * 81}, "longer than 80"),
    "why endless": ({**GOOD, "why": "w" * 501}, "longer than 500"),
    "shelve for ever": ({**GOOD, "command": "shelve"}, "shelve needs for_s"),
    "for_s true": ({**GOOD, "for_s": True}, "number of seconds"),
    "for_s text": ({**GOOD, "for_s": "2 h"}, "number of seconds"),
    "for_s negative": ({**GOOD, "for_s": -1}, "above 0"),
    "for_s huge": ({**GOOD, "for_s": 10**400}, "at most"),
    "for_s more than a float": (b'{"command":"shelve","alarm":"a.b","by":"m","for_s":1e999}', "at"),
    "ref an object": ({**GOOD, "ref": {}}, "ref must be"),
    "ref endless": ({**GOOD, "ref": "r" * 81}, "ref must be"),
}


@pytest.mark.parametrize("case", BAD)
async def test_a_bad_command_is_refused_in_plain_words(
    handler: CommandHandler, watch: Watch, case: str
) -> None:
    """Whatever is wrong is said; nothing reaches the watch."""
    payload, words = BAD[case]
    answer = await ask(handler, payload)
    assert answer is not None
    assert set(answer) == RESULT_KEYS
    assert answer["ok"] is False
    assert words in answer["message"]
    assert answer["event_id"] is None
    assert watch.taken == []
    assert "Error" not in answer["message"]
    compact_json(answer).encode()


@given(st.binary(max_size=200))
async def test_no_bytes_raise(payload: bytes) -> None:
    """Any bytes give an answer that can be sent."""
    answer = await CommandHandler(Watch().submit, None, Stopwatch()).answer(payload)
    assert answer is not None
    compact_json(answer).encode()


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.sampled_from(NAMES),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)


# The first draw builds tables of characters, which takes its time on a busy machine.
@pytest.mark.long
@given(st.dictionaries(st.sampled_from(sorted(KEYS)), JUNK))
async def test_no_fields_raise(fields: dict[str, Any]) -> None:
    """Any values under the known keys give an answer that can be sent, and echo no junk."""
    answer = await CommandHandler(Watch().submit, None, Stopwatch()).answer(
        json.dumps(fields).encode()
    )
    assert answer is not None
    compact_json(answer).encode()
    assert answer["command"] in (None, "reset", *NAMES)


async def test_a_refusal_of_the_watch_is_an_answer(watch: Watch) -> None:
    """What the watch refuses comes back as its own words."""
    watch.reply = CommandError("heron has no alarm moisture-low")
    answer = await ask(CommandHandler(watch.submit, None, Stopwatch()), GOOD)
    assert (answer["ok"], answer["message"]) == (False, "heron has no alarm moisture-low")


async def test_submit_may_be_awaited() -> None:
    """A service that must wait for the record may give an awaitable."""

    async def submit(command: dict[str, Any]) -> Reply:
        return Reply(True, command["command"])

    assert (await ask(CommandHandler(submit, None, Stopwatch()), GOOD))["message"] == "acknowledge"


@pytest.fixture
def token_file(tmp_path: Path) -> Path:
    path = tmp_path / "command.token"
    path.write_text("s3cret-reed\n")
    return path


async def test_the_token_opens_and_is_never_passed_on(watch: Watch, token_file: Path) -> None:
    """With the right token a command is taken; the token goes neither in nor out."""
    handler = CommandHandler(watch.submit, TokenFile(token_file), Stopwatch())
    answer = await ask(handler, {**GOOD, "token": "s3cret-reed"})
    assert answer["ok"]
    assert "s3cret" not in json.dumps([answer, watch.taken])


@pytest.mark.parametrize("token", ["wrong", "", None, 7, True, ["s3cret-reed"], "s3cret-reed "])
async def test_a_wrong_token_gets_two_words(
    watch: Watch, token_file: Path, token: bool | int | list[str] | str | None
) -> None:
    """A wrong or missing token is refused, whatever else is right or wrong with the command."""
    handler = CommandHandler(watch.submit, TokenFile(token_file), Stopwatch())
    for document in ({**GOOD, "token": token}, {"nonsense": 1, "token": token}):
        assert (await ask(handler, document))["message"] == "token refused"
    assert watch.taken == []


async def test_no_token_no_entry(watch: Watch, token_file: Path) -> None:
    """A command without a token is refused like one with a wrong one."""
    handler = CommandHandler(watch.submit, TokenFile(token_file), Stopwatch())
    assert (await ask(handler, GOOD))["message"] == "token refused"


@pytest.mark.parametrize("content", [None, "", "\n", "\xff"])
async def test_without_a_token_on_file_nothing_is_taken(
    watch: Watch, tmp_path: Path, content: str | None
) -> None:
    """A missing, empty or unreadable token file opens to nobody, the empty token included."""
    path = tmp_path / "command.token"
    if content is not None:
        path.write_bytes(content.encode("latin-1"))
    handler = CommandHandler(watch.submit, TokenFile(path), Stopwatch())
    for token in ("", "\n", "None"):
        assert (await ask(handler, {**GOOD, "token": token}))["message"] == "token refused"


async def test_a_changed_token_file_is_read_again(watch: Watch, token_file: Path) -> None:
    """Changing the file changes the token, without a restart; taking it away closes the door."""
    handler = CommandHandler(watch.submit, TokenFile(token_file), Stopwatch())
    token_file.write_text("new-sedge-2\n")
    assert (await ask(handler, {**GOOD, "token": "s3cret-reed"}))["message"] == "token refused"
    assert (await ask(handler, {**GOOD, "token": "new-sedge-2"}))["ok"]
    token_file.unlink()
    assert (await ask(handler, {**GOOD, "token": "new-sedge-2"}))["message"] == "token refused"


async def test_a_token_file_handed_over_by_the_service_manager(
    watch: Watch, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A secret that is not at its path is taken from $CREDENTIALS_DIRECTORY."""
    handed = tmp_path / "handed"
    handed.mkdir()
    (handed / "command.token").write_text("s3cret-reed")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(handed))
    handler = CommandHandler(watch.submit, TokenFile(tmp_path / "command.token"), Stopwatch())
    assert (await ask(handler, {**GOOD, "token": "s3cret-reed"}))["ok"]


async def test_a_flood_is_refused_then_left_unanswered(watch: Watch, token_file: Path) -> None:
    """Bad commands are answered only so often, and never use up the allowance of good ones."""
    stopwatch = Stopwatch()
    handler = CommandHandler(watch.submit, TokenFile(token_file), stopwatch)
    answers = [await answer_of(handler, GOOD) for _ in range(100)]
    assert [a is not None for a in answers] == [True] * 20 + [False] * 80
    assert (await ask(handler, {**GOOD, "token": "s3cret-reed"}))["ok"]


async def test_too_many_good_commands_wait(watch: Watch) -> None:
    """Beyond the allowance a good command is refused, and taken again some seconds later."""
    stopwatch = Stopwatch()
    handler = CommandHandler(watch.submit, None, stopwatch)
    answers = [await ask(handler, GOOD) for _ in range(21)]
    assert [a["ok"] for a in answers] == [True] * 20 + [False]
    assert "try again" in answers[-1]["message"]
    stopwatch.now_s += 1.0
    assert (await ask(handler, GOOD))["ok"]


def test_token_mode_without_a_file_is_an_error() -> None:
    """``token`` without a token file would be an open door: refused at the start."""
    with pytest.raises(FollowerError):
        token_of(MqttPlan(commands="token"))
    assert token_of(MqttPlan(commands="trust-broker")) is None


def test_parse_gives_the_object_as_it_came() -> None:
    """A JSON object within the size is handed on unchanged."""
    assert parse_untrusted(json.dumps(GOOD).encode()) == GOOD
