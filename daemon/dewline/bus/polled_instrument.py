"""One instrument as its poller sees it: its blocks, their decoders, the signals they feed."""

from __future__ import annotations

from typing import Final

from dewline.bus.decode import compile_block
from dewline.bus.plan import Block, plan_reads, split
from dewline.bus.word_orders import WordOrderCheck
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
        """The reading of every signal that the block feeds, from a payload a session has checked.

        BadFrame for a line that does not fit its pattern.
        """
        values = self._decode(payload)
        if len(self._single) == len(values):  # one signal a register, as nearly always
            return dict(zip(self._single, values, strict=True))
        return {s: v for signals, v in zip(self._signals, values, strict=True) for s in signals}

    def failed(self, reading: Reading) -> dict[str, Reading]:
        """``reading`` for every signal of the block."""
        return {signal: reading for signals in self._signals for signal in signals}


class PolledInstrument:
    """One instrument on an open link.

    ``block_readers``: what is asked in a turn, in this order. ``answers``: whether it answers;
    None while that is not known. ``orders``: the check of its word orders, until it is done.
    """

    def __init__(self, plan: InstrumentPlan) -> None:
        self.plan = plan
        self._planned = tuple(BlockReader(plan, block) for block in plan_reads(plan))
        self.block_readers = list(self._planned)
        self.answers: bool | None = None
        self.orders = WordOrderCheck(plan) if plan.floats else None
        self._refusals: set[tuple[str, int]] = set()
        self._no_answers = {s: NO_ANSWER for r in self._planned for s in r.failed(NO_ANSWER)}

    def no_answers(self) -> dict[str, Reading]:
        """The reading ``no answer`` for every signal."""
        return dict(self._no_answers)

    def reset(self) -> None:
        """Start anew on a new link: blocks that were cut are read whole again."""
        self.block_readers = list(self._planned)
        self._refusals.clear()

    def cut(self, block_reader: BlockReader) -> list[BlockReader]:
        """Replace a refused block by its pieces for this link; empty where it cannot be cut."""
        pieces = [BlockReader(self.plan, block) for block in split(block_reader.block)]
        if pieces:
            at = self.block_readers.index(block_reader)
            self.block_readers[at : at + 1] = pieces
        return pieces

    def ask_last(self, block_reader: BlockReader) -> None:
        """Move a block that got no answer to the end, so that the others are asked before it."""
        self.block_readers.remove(block_reader)
        self.block_readers.append(block_reader)

    def first_refusal(self, block_reader: BlockReader, code: int) -> bool:
        """Whether this block refuses with this exception code for the first time on this link."""
        refusal = (str(block_reader.block), code)
        first = refusal not in self._refusals
        self._refusals.add(refusal)
        return first
