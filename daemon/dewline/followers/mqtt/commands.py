"""Commands that come in over MQTT: bytes from anyone, checked, carried out and answered.

Functions whose name ends in ``_untrusted`` take what anyone may have sent. They raise nothing but
``CommandError``, whose text is the answer and quotes no more of the input than a short key.
"""

from __future__ import annotations

import json
import re
from collections.abc import Awaitable, Callable, Mapping
from typing import NoReturn

from dewline.config.plan import MqttPlan
from dewline.errors import CommandError, DewlineError, FollowerError
from dewline.events import Reply
from dewline.followers.secret import TokenFile
from dewline.followers.token_bucket import TokenBucket
from dewline.typed_json import Json

Submit = Callable[[dict[str, Json]], Reply | Awaitable[Reply]]

NAMES = ("acknowledge", "shelve", "unshelve", "out-of-service", "return-to-service")
KEYS = frozenset({"command", "alarm", "by", "token", "for_s", "why", "ref"})
MAX_BYTES = 4096
MAX_FOR_S = 366 * 86_400
MAX_TEXT = {"by": 80, "why": 500, "ref": 80}
# A rule of the daemon's own box is named after a bus or an instrument, plus one word.
_ALARM = re.compile(r"[a-z][a-z0-9-]{0,39}\.[a-z][a-z0-9-]{0,79}")


def _refuse_constant(text: str) -> NoReturn:
    raise ValueError(f"{text} is no JSON number")


def _unique_keys(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise ValueError("a key stands there twice")
    return fields


def parse_untrusted(payload: bytes) -> dict[str, Json]:
    """The JSON object in ``payload``.

    CommandError for anything else: more than ``MAX_BYTES``, no UTF-8, no JSON by RFC 8259 (NaN and
    infinities are none), a key that stands there twice, nesting too deep to parse.
    """
    if len(payload) > MAX_BYTES:
        raise CommandError(f"the command is longer than {MAX_BYTES} bytes")
    try:
        fields = json.loads(
            payload.decode(), parse_constant=_refuse_constant, object_pairs_hook=_unique_keys
        )
    except (ValueError, RecursionError):
        raise CommandError("the command is not a JSON object with each key once") from None
    if not isinstance(fields, dict):
        raise CommandError("the command is not a JSON object")
    return fields


def request_untrusted(fields: Mapping[str, Json]) -> dict[str, Json]:
    """The command as the service takes it: {command, alarm, by, for_s, why}, every key present.

    ``fields`` has {command, alarm, by} and, where wanted, {for_s, why, ref, token}; ``for_s`` is
    how long to shelve, in seconds. CommandError says in plain words what is wrong. The token is
    checked elsewhere. Whether the alarm exists and permits the command is for the watch to decide.
    """
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
    why = _text(fields, "why")
    return {"command": command, "alarm": alarm, "by": by, "for_s": for_s, "why": why}


def _check_keys(fields: Mapping[str, Json]) -> None:
    unknown = sorted(set(fields) - KEYS)
    if unknown:
        known = ", ".join(sorted(KEYS))
        raise CommandError(f"unknown key {_quoted(unknown[0])}; known are {known}")
    ref = fields.get("ref")
    if ref is not None and _safe_echo(ref) is None:
        raise CommandError(f"ref must be a text of at most {MAX_TEXT['ref']} characters or a count")


def _command(fields: Mapping[str, Json]) -> str:
    command = fields.get("command")
    if command == "reset":
        raise CommandError("reset is not taken over MQTT; use dewline reset beside the daemon")
    if not isinstance(command, str) or command not in NAMES:
        raise CommandError(f"command must be one of {', '.join(NAMES)}")
    return command


def _text(fields: Mapping[str, Json], key: str) -> str | None:
    value = fields.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise CommandError(f"{key} must be one line of text")
    if len(value) > MAX_TEXT[key]:
        raise CommandError(f"{key} is longer than {MAX_TEXT[key]} characters")
    return value.strip()


def _for_s(fields: Mapping[str, Json]) -> float | None:
    value = fields.get("for_s")
    if value is None:
        return None
    # bool is an int in Python. Comparing before float() keeps endless integers harmless.
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CommandError("for_s must be a number of seconds")
    if not 0 < value <= MAX_FOR_S:
        raise CommandError(f"for_s must be above 0 and at most {MAX_FOR_S} seconds")
    return float(value)


def _quoted(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")


def _safe_echo(value: object) -> str | int | None:
    """``value`` where it may be sent back although anyone may have written it; else None."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value if abs(value) < 2**53 else None
    if isinstance(value, str) and len(value) <= MAX_TEXT["ref"] and value.isprintable():
        return value
    return None


def result(fields: Mapping[str, Json], reply: Reply) -> dict[str, Json]:
    """The answer to a command, as it is published; it never contains the token.

    ``ref``, ``command`` and ``alarm`` repeat what the command said, where that may be sent back.
    """
    command, alarm = _safe_echo(fields.get("command")), _safe_echo(fields.get("alarm"))
    return {
        "ref": _safe_echo(fields.get("ref")),
        "command": command if command in (*NAMES, "reset") else None,
        "alarm": alarm if isinstance(alarm, str) and _ALARM.fullmatch(alarm) else None,
        "ok": reply.ok,
        "message": reply.message,
        "event_id": reply.event_id,
    }


class CommandHandler:
    """Carries out commands and answers them; never raises on what anyone sends.

    ``token`` None trusts everyone whom the broker lets publish. ``monotonic`` gives seconds.
    Good and bad commands have separate limits, so that a flood of bad ones does not keep
    anybody from acknowledging.
    """

    def __init__(
        self, submit: Submit, token: TokenFile | None, monotonic: Callable[[], float]
    ) -> None:
        self._submit = submit
        self._token = token
        self._monotonic = monotonic
        self._good = TokenBucket(20, 10.0)
        self._bad = TokenBucket(20, 20.0)

    async def answer(self, payload: bytes) -> dict[str, Json] | None:
        """Carry out one command and give its result.

        None where too many bad commands come: answering each would add to the flood.
        """
        fields: dict[str, Json] = {}
        try:
            fields = parse_untrusted(payload)
            self._check_token(fields)
            request = request_untrusted(fields)
            if not self._admits(self._good):
                raise CommandError("too many commands at once; try again in some seconds")
        except CommandError as error:
            return result(fields, Reply(False, str(error))) if self._admits(self._bad) else None
        try:
            answer = self._submit(request)
            reply = answer if isinstance(answer, Reply) else await answer
        except DewlineError as error:
            reply = Reply(False, str(error))
        return result(fields, reply)

    def _check_token(self, fields: Mapping[str, Json]) -> None:
        if self._token is not None and not self._token.accepts(fields.get("token")):
            raise CommandError("token refused")

    def _admits(self, limit: TokenBucket) -> bool:
        now_s = self._monotonic()
        if limit.wait(now_s):
            return False
        limit.spend(now_s)
        return True


def token_of(plan: MqttPlan) -> TokenFile | None:
    """The token that commands must carry under this plan; None where they need none.

    FollowerError where the plan wants one and names no file.
    """
    if plan.commands != "token":
        return None
    if plan.token_file is None:
        raise FollowerError("mqtt commands by token need a token_file")
    return TokenFile(plan.token_file)
