"""Commands that come in over MQTT: bytes from anyone, turned into a request or plain words."""

from __future__ import annotations

import json
import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from dewline.config.plan import MqttPlan
from dewline.errors import CommandError, DewlineError, FollowerError
from dewline.events import Reply
from dewline.followers.secret import TokenFile

Submit = Callable[[dict[str, Any]], Reply | Awaitable[Reply]]

NAMES = ("acknowledge", "shelve", "unshelve", "out-of-service", "return-to-service")
KEYS = frozenset({"command", "alarm", "by", "token", "for_s", "why", "ref"})
MAX_BYTES = 4096
MAX_FOR_S = 366 * 86_400
MAX_TEXT = {"by": 80, "why": 500, "ref": 80}
# A rule name may carry the name of a bus or an instrument and a word more.
_ALARM = re.compile(r"[a-z][a-z0-9-]{0,39}\.[a-z][a-z0-9-]{0,79}")


@dataclass(frozen=True, slots=True)
class Request:
    """A well-formed command. Whether the alarm exists and may be so treated, the watch says."""

    command: str
    alarm: str
    by: str
    for_s: float | None
    why: str | None

    def document(self) -> dict[str, Any]:
        return {
            "command": self.command,
            "alarm": self.alarm,
            "by": self.by,
            "for_s": self.for_s,
            "why": self.why,
        }


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no JSON number")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise ValueError("a key stands there twice")
    return fields


def parse_untrusted(payload: bytes) -> dict[str, Any]:
    """The JSON object in ``payload``; CommandError for anything else."""
    if len(payload) > MAX_BYTES:
        raise CommandError(f"the command is longer than {MAX_BYTES} bytes")
    try:
        fields = json.loads(payload.decode(), parse_constant=_no_number, object_pairs_hook=_once)
    except (ValueError, RecursionError):
        raise CommandError("the command is not a JSON object with each key once") from None
    if not isinstance(fields, dict):
        raise CommandError("the command is not a JSON object")
    return fields


def request_untrusted(fields: Mapping[str, Any]) -> Request:
    """The request that ``fields`` make; CommandError says in plain words what is wrong."""
    _check_keys(fields)
    command = _command(fields)
    alarm = fields.get("alarm")
    if not isinstance(alarm, str) or not _ALARM.fullmatch(alarm):
        raise CommandError('alarm must be a name like "heron.moisture-high"')
    by = _text(fields, "by")
    if by is None:
        raise CommandError("by must say who gives the command")
    for_s = _for_s(fields)
    if command == "shelve" and for_s is None:
        raise CommandError("shelve needs for_s: shelving always ends by itself")
    return Request(command, alarm, by, for_s, _text(fields, "why"))


def _check_keys(fields: Mapping[str, Any]) -> None:
    unknown = sorted(set(fields) - KEYS)
    if unknown:
        raise CommandError(f"unknown key {_shown(unknown[0])}; known are {', '.join(sorted(KEYS))}")
    ref = fields.get("ref")
    if ref is not None and _echo(ref) is None:
        raise CommandError(f"ref must be a text of at most {MAX_TEXT['ref']} characters or a count")


def _command(fields: Mapping[str, Any]) -> str:
    command = fields.get("command")
    if command == "reset":
        raise CommandError("reset is not taken over MQTT; use dewline reset beside the daemon")
    if not isinstance(command, str) or command not in NAMES:
        raise CommandError(f"command must be one of {', '.join(NAMES)}")
    return command


def _text(fields: Mapping[str, Any], key: str) -> str | None:
    value = fields.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise CommandError(f"{key} must be one line of text")
    if len(value) > MAX_TEXT[key]:
        raise CommandError(f"{key} is longer than {MAX_TEXT[key]} characters")
    return value.strip()


def _for_s(fields: Mapping[str, Any]) -> float | None:
    value = fields.get("for_s")
    if value is None:
        return None
    # bool is an int in Python. Comparing before float() keeps endless integers harmless.
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CommandError("for_s must be a number of seconds")
    if not 0 < value <= MAX_FOR_S:
        raise CommandError(f"for_s must be above 0 and at most {MAX_FOR_S} seconds")
    return float(value)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")


def _echo(value: object) -> str | int | None:
    """What may be sent back of something that anyone may have written."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value if abs(value) < 2**53 else None
    if isinstance(value, str) and len(value) <= MAX_TEXT["ref"] and value.isprintable():
        return value
    return None


def result(fields: Mapping[str, Any], reply: Reply) -> dict[str, Any]:
    """The answer to a command, as it goes out; never the token."""
    command, alarm = _echo(fields.get("command")), _echo(fields.get("alarm"))
    return {
        "ref": _echo(fields.get("ref")),
        "command": command if command in (*NAMES, "reset") else None,
        "alarm": alarm if isinstance(alarm, str) and _ALARM.fullmatch(alarm) else None,
        "ok": reply.ok,
        "message": reply.message,
        "event_id": reply.event_id,
    }


class Allowance:
    """So many at once, and one more every ``every_s``; what is beyond is refused."""

    def __init__(self, burst: int, every_s: float) -> None:
        self._burst = burst
        self._every_s = every_s
        self._left = float(burst)
        self._at_s = 0.0

    def take(self, now_s: float) -> bool:
        """True while there is allowance left at ``now_s`` (monotonic seconds)."""
        grown = self._left + max(0.0, now_s - self._at_s) / self._every_s
        self._left, self._at_s = min(float(self._burst), grown), now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True


class CommandDesk:
    """Takes payloads in and gives result documents out; never raises on what anyone sends.

    ``token`` None trusts whoever the broker lets publish. Good and bad commands
    have allowances of their own, so that a flood of bad ones cannot keep a
    person from acknowledging.
    """

    def __init__(
        self, submit: Submit, token: TokenFile | None, monotonic: Callable[[], float]
    ) -> None:
        self._submit = submit
        self._token = token
        self._monotonic = monotonic
        self._good = Allowance(burst=20, every_s=0.5)
        self._bad = Allowance(burst=20, every_s=1.0)

    async def answer(self, payload: bytes) -> dict[str, Any] | None:
        """The result of one command; None where even a refusal would feed a flood."""
        fields: dict[str, Any] = {}
        try:
            fields = parse_untrusted(payload)
            self._check_token(fields)
            request = request_untrusted(fields)
            if not self._good.take(self._monotonic()):
                raise CommandError("too many commands at once; try again in some seconds")
        except CommandError as error:
            return self._refusal(fields, str(error))
        try:
            answer = self._submit(request.document())
            reply = answer if isinstance(answer, Reply) else await answer
        except DewlineError as error:
            reply = Reply(False, str(error))
        return result(fields, reply)

    def _check_token(self, fields: Mapping[str, Any]) -> None:
        if self._token is not None and not self._token.accepts(fields.get("token")):
            raise CommandError("token refused")

    def _refusal(self, fields: Mapping[str, Any], why: str) -> dict[str, Any] | None:
        return result(fields, Reply(False, why)) if self._bad.take(self._monotonic()) else None


def token_of(plan: MqttPlan) -> TokenFile | None:
    """The token that commands must bear under this plan; None where they need none."""
    if plan.commands != "token":
        return None
    if plan.token_file is None:
        raise FollowerError("mqtt commands by token need a token_file")
    return TokenFile(plan.token_file)
