"""One connection to an MQTT broker: newly made each time, and certainly closed at the end."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable

import aiomqtt
import paho.mqtt.client as paho

from dewline.clock import Clock
from dewline.config.plan import MqttPlan, secret_file
from dewline.errors import FollowerError
from dewline.followers.secret import read_secret

CONNECT_TIMEOUT_S = 3.0
ANSWER_TIMEOUT_S = 5.0
LEAVE_TIMEOUT_S = 1.0
# Retained topics of a big lab come in one burst; commands never come near this.
MAX_WAITING_MESSAGES = 20_000
MAX_IN_FLIGHT = 64

# The libraries log every packet; what matters is logged by the follower.
_SILENT = logging.getLogger("dewline.followers.mqtt.wire")
_SILENT.setLevel(logging.CRITICAL)


# What a broker answers to a CONNECT that no second try makes better: the client or its secret.
_REFUSED = ("Bad user name or password", "Not authorized", "Client identifier not valid")


def barred_by(error: Exception) -> str | None:
    """Why no connection comes about until somebody mends it; None for a broker that is away."""
    wrong_file = isinstance(error, FollowerError | FileNotFoundError | PermissionError)
    refused = isinstance(error, aiomqtt.MqttCodeError) and str(error.rc) in _REFUSED
    # aiomqtt gives the error of the socket as one of its own, with that one as its context.
    wrong_certificate = isinstance(error.__context__, ssl.SSLCertVerificationError)
    return str(error) if wrong_file or refused or wrong_certificate else None


def _client(plan: MqttPlan, identifier: str, will: aiomqtt.Will) -> aiomqtt.Client:
    ca = plan.tls_ca
    client = aiomqtt.Client(
        plan.host,
        plan.port,
        username=plan.username,
        password=None if plan.password_file is None else read_secret(plan.password_file),
        identifier=identifier,
        protocol=aiomqtt.ProtocolVersion.V311,
        will=will,
        clean_session=True,
        timeout=ANSWER_TIMEOUT_S,
        keepalive=plan.keepalive_s,
        tls_context=ssl.create_default_context(cafile=secret_file(ca)) if ca else None,
        logger=_SILENT,
        # Two small packets in a row would else wait for each other's acknowledgement, 40 ms each.
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        max_inflight_messages=MAX_IN_FLIGHT,
        max_queued_incoming_messages=MAX_WAITING_MESSAGES,
    )
    _inner(client).connect_timeout = CONNECT_TIMEOUT_S
    return client


def _inner(client: aiomqtt.Client) -> paho.Client:
    """The paho client inside: aiomqtt has no way of its own to drop a half-made connection."""
    return client._client


@contextlib.asynccontextmanager
async def connection(
    plan: MqttPlan, identifier: str, will: aiomqtt.Will, clock: Clock
) -> AsyncIterator[aiomqtt.Client]:
    """A connected client, used once: used again, it would repeat messages that had failed.

    Raises MqttError or OSError when the broker is away, FollowerError for an
    unreadable secret. However it ends, the socket is closed afterwards.
    """
    client = _client(plan, identifier, will)
    try:
        with clock.io():
            await _finish_even_if_cancelled(client.__aenter__())
        yield client
    finally:
        with clock.io():
            await _leave(client)


async def _finish_even_if_cancelled(entering: Awaitable[aiomqtt.Client]) -> None:
    """Wait until the client has connected; when cancelled, first let the attempt end.

    The socket is made in a thread that cannot be stopped. Left alone, it would become a
    connection that nobody closes, and its last will would say ``lost`` of a running daemon.
    """
    task = asyncio.ensure_future(entering)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait({task}, timeout=CONNECT_TIMEOUT_S + LEAVE_TIMEOUT_S)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        raise


async def _leave(client: aiomqtt.Client) -> None:
    """Send DISCONNECT where that is possible and close the socket in any case."""
    inner = _inner(client)
    inner.disconnect()
    for turn in range(100):
        sock = inner.socket()
        if not isinstance(sock, socket.socket):
            break
        if turn >= 50:  # no answer to DISCONNECT: the reading side sees the end and closes
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        await asyncio.sleep(LEAVE_TIMEOUT_S / 100)
    if client._disconnected.done() and not client._disconnected.cancelled():
        client._disconnected.exception()  # else asyncio logs that it was never retrieved
