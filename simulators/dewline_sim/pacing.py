"""Bytes at the wire's pace, and simulated time at a multiple of real time.

Serial line guide V1.02 §2.5.1: 11 bits a character; frames stand t3.5 apart,
1.750 ms above 19200 Bd.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import os
import select
import threading
import time
from collections.abc import Awaitable, Callable

from dewline_sim.faults import Chunk, Faults
from dewline_sim.lines import LineDevice, Port, SerialLine

_SPIN_S = 0.0003
_BURST_S = 0.001


def character_s(baud: int, bits: int = 11) -> float:
    """Seconds that one character takes."""
    return bits / baud


def silence_s(baud: int) -> float:
    """t3.5: the least silence between frames."""
    return 3.5 * character_s(baud) if baud <= 19_200 else 0.00175


class PacedLine(SerialLine):
    """A line with a thread of its own and absolute deadlines.

    A client writes its request into the pty in no time; the thread lets the
    request take its time on the wire, waits t3.5, and then lets the reply out
    character by character (in bursts of 1 ms where characters are shorter). The
    next exchange starts no sooner than t3.5 after the last character.
    ``frames`` False leaves the silences out (lines of text, 10 bits a character).
    """

    def __init__(
        self, port: Port, device: LineDevice, faults: Faults, name: str, *, baud: int,
        lock: threading.Lock, frames: bool = True,
    ) -> None:  # fmt: skip
        super().__init__(port, device, faults, name)
        self._character_s = character_s(baud, 11 if frames else 10)
        self._silence_s = silence_s(baud) if frames else 0.0
        self._lock = lock
        self._free = 0.0
        self._due: list[tuple[float, int, bytes]] = []
        self._order = itertools.count()
        self._ends = False
        self._wake_r, self._wake_w = -1, -1
        self._thread: threading.Thread | None = None
        self._guard = threading.Lock()

    def start(self) -> None:
        """Plug in and start the thread of the line."""
        self.port.open()
        self._ends = False
        self._wake_r, self._wake_w = os.pipe()
        self._thread = threading.Thread(target=self._run, name=f"line {self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, drop what has not been sent, and pull the adapter out.

        Waits for the thread: at most the time of one burst and a wake-up.
        """
        if self._thread is None:
            return
        self._ends = True
        os.write(self._wake_w, b"x")
        self._thread.join()
        self._thread = None
        os.close(self._wake_r)
        os.close(self._wake_w)
        self._due.clear()
        self.port.close()

    def send(self, chunks: list[Chunk]) -> None:
        """Send unasked bytes, as soon as the wire is free."""
        self._schedule(time.perf_counter(), chunks)
        if self._thread is not None:
            os.write(self._wake_w, b"x")

    def delivered(self) -> None:
        """A paced line keeps real time; nothing to wait for."""

    def _schedule(self, start: float, chunks: list[Chunk]) -> None:
        with self._guard:
            for delay_s, data in chunks:
                start += delay_s
                heapq.heappush(self._due, (start, next(self._order), data))
                start += len(data) * self._character_s

    def _run(self) -> None:
        while not self._ends:
            wait_s = self._due[0][0] - time.perf_counter() - _SPIN_S if self._due else None
            if wait_s is None or wait_s > 0:
                ready, _, _ = select.select([self.port.master, self._wake_r], [], [], wait_s)
                came = time.perf_counter()
                if self._wake_r in ready:
                    os.read(self._wake_r, 64)
                if self.port.master in ready:
                    self._receive(came)
                continue
            with self._guard:
                start, _, data = heapq.heappop(self._due)
            self._write_paced(max(start, self._free), data)

    def _receive(self, came: float) -> None:
        data = self.port.read()
        if not data:
            time.sleep(_BURST_S)  # a hang-up stays readable
            return
        with self._lock:
            replies = self.device.receive(data)
        start = max(came, self._free)
        for reply in replies:
            start += reply.request_bytes * self._character_s + self._silence_s
            self._schedule(start, reply.chunks)

    def _write_paced(self, start: float, data: bytes) -> None:
        burst = max(1, int(_BURST_S / self._character_s))
        for i in range(0, len(data), burst):
            piece = data[i : i + burst]
            wait_until(start + (i + len(piece)) * self._character_s)
            self.port.write(piece)
        self._free = start + len(data) * self._character_s + self._silence_s


def wait_until(deadline: float) -> None:
    """Sleep until shortly before, then spin: sleeping alone is late by up to 0.1 ms."""
    while (left := deadline - time.perf_counter()) > 0:
        if left > _SPIN_S:
            time.sleep(left - _SPIN_S)


async def keep_pace(
    advance: Callable[[int], Awaitable[None]], from_ms: int, to_ms: int, speed: float, tick_ms: int
) -> None:
    """Call ``advance`` with simulated times at ``speed`` times real time, by absolute deadlines.

    Where the machine cannot keep up, time is made up later, never skipped.
    """
    step_ms = max(tick_ms, round(20 * speed) // tick_ms * tick_ms)
    zero, now_ms = time.perf_counter(), from_ms
    while now_ms < to_ms:
        now_ms += step_ms
        due = zero + (now_ms - from_ms) / 1000.0 / speed
        await asyncio.sleep(max(0.0, due - time.perf_counter()))
        await advance(now_ms)
