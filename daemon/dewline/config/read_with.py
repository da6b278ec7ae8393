"""How registers become readings, as JSON with a hash, for the record.

The hash of the watch plan does not see it when an address, a type, a word order or a scale is
changed, though every reading after that means something else. So the record holds this document
too, and each start and reload names its hash.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

from dewline.config.plan import InstrumentPlan, Plan, RegisterPlan
from dewline.readings import compact_json
from dewline.typed_json import Json, TypedJson

_JSON = TypedJson(omit_defaults=True)


class ReadWith(NamedTuple):
    """The document, and the 16 hex digits that name it: of its SHA-256."""

    hash: str
    document: str


def read_with(plan: Plan) -> ReadWith:
    """Of every signal of ``plan``: bus, instrument, its address there, and how it is decoded.

    Where a bus is plugged in and how often it is asked change no reading and are left out, as is
    all that has its default. Registers that feed no signal do not count.
    """
    signals = {
        name: _source(instrument, register)
        for instrument in plan.instruments.values()
        for register in instrument.registers
        for name in instrument.feeds.get(register.name, ())
    }
    document = compact_json(dict(sorted(signals.items())))
    return ReadWith(hashlib.sha256(document.encode()).hexdigest()[:16], document)


def _source(instrument: InstrumentPlan, register: RegisterPlan) -> dict[str, Json]:
    source: dict[str, Json] = {
        "bus": instrument.bus,
        "instrument": instrument.name,
        "unit": instrument.unit,
        "register": _JSON.plain(register),
    }
    if instrument.ascii is not None:
        source["line"] = _JSON.plain(instrument.ascii)
    return source
