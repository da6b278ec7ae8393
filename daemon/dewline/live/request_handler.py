"""Answers the requests to a running daemon."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from dewline.bus.poller import Stamp
from dewline.errors import CommandError
from dewline.events import Reply
from dewline.live.record import Record
from dewline.live.requests import Answer, StatusDocument, command_of, leak_test_of


@dataclass(frozen=True, slots=True)
class RequestHandler:
    """Answers requests to one daemon; ``status`` and ``reload`` are the service's own."""

    record: Record
    stamp: Stamp
    status: Callable[[], StatusDocument]
    reload: Callable[[], Answer]

    async def answer(self, request: Mapping[str, object]) -> Answer | StatusDocument:
        """Answer a request of the control socket; one that is wrong gets a line that says why.

        A command is answered once it is on disk, or with a remark that it is not yet.
        """
        match request.get("ask"):
            case "status":
                return self.status()
            case "command":
                reply = self.submit(request, "socket")
                later = "" if await self.record.written() else " (not on disk yet)"
                message = reply.message + later
                return {"ok": reply.ok, "message": message, "event_id": reply.event_id}
            case "reload":
                return self.reload()
            case "leak-test":
                return await self._write_leak_test(request)
            case other:
                return {"ok": False, "message": f"nobody here knows {other!r}"}

    def submit(self, request: Mapping[str, object], source: str) -> Reply:
        """Feed a command, already allowed, to the watch like every other item."""
        try:
            command = command_of(request, self.stamp(), source)
        except CommandError as error:
            return Reply(False, str(error))
        return self.record.drive.feed(command).reply or Reply(False, "no answer")

    async def submit_from_afar(self, request: Mapping[str, object]) -> Reply:
        """Feed a command that came over MQTT; return once it is on disk, or the disk refuses."""
        reply = self.submit(request, "mqtt")
        await self.record.written()
        return reply

    async def _write_leak_test(self, request: Mapping[str, object]) -> Answer:
        """Write a judged leak test into the ledger: a conclusion, so the watch is not fed."""
        try:
            row = leak_test_of(request, self.record.drive.watch.plan)
        except CommandError as error:
            return {"ok": False, "message": str(error)}
        self.record.put_row(row)
        await self.record.written()
        return {"ok": True, "message": f"written into the ledger of {row.box}"}
