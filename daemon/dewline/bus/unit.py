"""What a poller knows of one instrument: its blocks, their decoders, the signals they feed."""

from __future__ import annotations

from typing import Final

from dewline.bus.decode import compile_block
from dewline.bus.plan import Block, plan_reads, split
from dewline.config.plan import InstrumentPlan
from dewline.readings import Quality, Reading

NO_ANSWER: Final = Reading(None, Quality.NO_ANSWER)


class BlockReader:
    """A block with its decoder and the signals that each of its registers feeds."""

    def __init__(self, instrument: InstrumentPlan, block: Block) -> None:
        self.block = block
        self._signals = tuple(instrument.feeds[r.name] for r in block.registers)
        self._single = [s for signals in self._signals for s in signals]
        self._decode = compile_block(instrument, block)

    def readings_untrusted(self, payload: bytes) -> dict[str, Reading]:
        """Signal -> reading of a payload that a session has checked. BadFrame for a bad line."""
        values = self._decode(payload)
        if len(self._single) == len(values):  # one signal a register, as nearly always
            return dict(zip(self._single, values, strict=True))
        return {s: v for signals, v in zip(self._signals, values, strict=True) for s in signals}

    def failed(self, reading: Reading) -> dict[str, Reading]:
        """``reading`` for every signal of the block."""
        return {signal: reading for signals in self._signals for signal in signals}


class Unit:
    """One instrument while a link stands. ``block_reader`` is what is asked in a turn, in order."""

    def __init__(self, plan: InstrumentPlan) -> None:
        self.plan = plan
        self._planned = tuple(BlockReader(plan, block) for block in plan_reads(plan))
        self.block_reader = list(self._planned)
        self.answers: bool | None = None
        self._told: set[tuple[str, int]] = set()
        self._silent = {s: NO_ANSWER for a in self._planned for s in a.failed(NO_ANSWER)}

    def silence(self) -> dict[str, Reading]:
        """Every signal without an answer."""
        return dict(self._silent)

    def forget(self) -> None:
        """A new link: refused blocks are tried whole again."""
        self.block_reader = list(self._planned)
        self._told.clear()

    def cut(self, block_reader: BlockReader) -> list[BlockReader]:
        """Replace a refused block by its pieces, from now on; empty when it cannot be cut."""
        pieces = [BlockReader(self.plan, block) for block in split(block_reader.block)]
        if pieces:
            at = self.block_reader.index(block_reader)
            self.block_reader[at : at + 1] = pieces
        return pieces

    def ask_last(self, block_reader: BlockReader) -> None:
        """A block that gets no answer must not keep the others from being asked."""
        self.block_reader.remove(block_reader)
        self.block_reader.append(block_reader)

    def news(self, block_reader: BlockReader, code: int) -> bool:
        """Whether this exception of this block is to be told: once a link."""
        told = (str(block_reader.block), code)
        fresh = told not in self._told
        self._told.add(told)
        return fresh
