"""The demo's own MQTT broker, so that it needs nothing but Python. Elsewhere use a real one.

Run as ``python -m dewline.demo.broker FD``: FD is a TCP socket that the caller has bound, so that
nobody else can take its port before the broker listens.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import sys
from functools import partial


async def serve(bound: socket.socket) -> None:
    """Serve MQTT 3.1.1 on a bound socket, for anyone who reaches it, until killed."""
    from amqtt.broker import Broker  # noqa: PLC0415 - an extra that only the demo needs

    plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    listeners = {"default": {"type": "external", "bind": "the socket below"}}
    broker = Broker({"listeners": listeners, "plugins": plugins})
    await broker.start()
    connected = partial(broker.stream_connected, listener_name="default")
    server = await asyncio.start_server(connected, sock=bound)
    await server.serve_forever()


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(socket.socket(fileno=int(sys.argv[1]))))
