"""The demo's own MQTT broker, so that it needs nothing but Python. Elsewhere use a real one."""

from __future__ import annotations

import asyncio
import logging
import sys


async def serve(port: int) -> None:
    """Serve MQTT 3.1.1 on the loopback, for anyone on this machine, until killed."""
    from amqtt.broker import Broker  # noqa: PLC0415 - an extra that only the demo needs

    plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    listeners = {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}}
    broker = Broker({"listeners": listeners, "plugins": plugins})
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(int(sys.argv[1])))
