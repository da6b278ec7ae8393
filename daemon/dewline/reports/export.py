"""Exports a journal as CSV, Parquet or line protocol, in the order in which the watch was fed.

A CSV holds the readings of registers, in the long form that ``replay --csv`` reads. Parquet and
line protocol hold derived signals as well. The quality of a reading is the one under the verdicts
of the watch; ``raw`` is the one that the bus gave, by which a replay judges again. Beside the file
stand NAME.inputs.jsonl (commands and resumes) and NAME.events.jsonl.
"""

from __future__ import annotations

import contextlib
import csv
import importlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path

from dewline.errors import OutOfRange
from dewline.events import EventDocument
from dewline.journal import Reader, Row
from dewline.journal.lines import event_line, ledger_line, reading_line, verdict_lines
from dewline.readings import Command, compact_json, iso_utc, parse_iso_utc

Progress = Callable[[float], None]  # share done, 0-1
ROWS_AT_ONCE = 65_536
CSV_HEADER = ("time", "signal", "value", "quality", "raw", "unit")


@dataclass(frozen=True, slots=True)
class ExportRange:
    """Wall time (UTC epoch) from ``since_ms`` up to but not at ``until_ms``; None: no bound."""

    since_ms: int | None = None
    until_ms: int | None = None

    def holds(self, time_ms: int) -> bool:
        """Whether a moment lies in the range."""
        return (self.since_ms is None or time_ms >= self.since_ms) and (
            self.until_ms is None or time_ms < self.until_ms
        )


ALL = ExportRange()


@dataclass(frozen=True, slots=True)
class Exported:
    """How many of each were written, and into which files."""

    readings: int
    events: int
    inputs: int
    files: tuple[Path, ...]


def export(
    reader: Reader, target: Path, progress: Progress, period: ExportRange = ALL, site: str = ""
) -> Exported:
    """Write ``target`` by its ending and the two files beside it; none is left half-written.

    ``progress`` is called with the share done, 0-1. ``site`` is a tag of every line of line
    protocol. OutOfRange for another ending, or for Parquet without pyarrow.
    """
    writers: dict[str, Callable[[Reader, Path, Progress, ExportRange], int]] = {
        ".csv": _write_csv,
        ".parquet": _write_parquet,
        ".lp": partial(_write_lines, site=site),
    }
    if target.suffix not in writers:
        raise OutOfRange(f"{target.name}: the ending says the form: .csv, .parquet or .lp")
    inputs, events = (target.with_suffix(f".{what}.jsonl") for what in ("inputs", "events"))
    with _whole(target) as part:
        readings = writers[target.suffix](reader, part, progress, period)
    input_count = _write_json_lines(inputs, _input_documents(reader, period))
    event_count = _write_json_lines(events, _event_documents(reader, period))
    progress(1.0)
    return Exported(readings, event_count, input_count, (target, inputs, events))


@contextlib.contextmanager
def _whole(target: Path) -> Iterator[Path]:
    """A file to write to, which is renamed to ``target`` only when all went well."""
    part = target.with_name(target.name + ".part")
    try:
        yield part
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def _write_csv(reader: Reader, part: Path, progress: Progress, period: ExportRange) -> int:
    count = 0
    with part.open("w", newline="", encoding="utf-8") as stream:
        out = csv.writer(stream, lineterminator="\n")
        out.writerow(CSV_HEADER)
        for row in _rows(reader, progress, period):
            if row.origin == "measured":
                value = "" if row.value is None else repr(row.value)
                texts = (row.quality.text, row.raw.text)
                out.writerow((iso_utc(row.time_ms), row.signal, value, *texts, row.unit))
                count += 1
    return count


def _rows(reader: Reader, progress: Progress, period: ExportRange) -> Iterator[Row]:
    last = max(1, reader.tail().seq)
    for number, row in enumerate(reader.rows()):
        if number % 10_000 == 0:
            progress(row.seq / last)
        if period.holds(row.time_ms):
            yield row


def _write_lines(
    reader: Reader, part: Path, progress: Progress, period: ExportRange, site: str
) -> int:
    count = 0
    with part.open("w", encoding="utf-8") as stream:
        for count, row in enumerate(_rows(reader, progress, period), 1):  # noqa: B007
            stream.write(reading_line(row, site) + "\n")
        for verdict in reader.verdicts():
            if period.holds(verdict.time_ms):
                stream.writelines(text + "\n" for text in verdict_lines(verdict, site))
        for event in _event_documents(reader, period):
            stream.write(event_line(event) + "\n")
        for entry in reader.ledger():
            text = ledger_line(entry, site)
            if text is not None and period.holds(entry.ended_ms or 0):
                stream.write(text + "\n")
    return count


def _write_parquet(reader: Reader, part: Path, progress: Progress, period: ExportRange) -> int:
    try:  # heavy, and few need it
        pa = importlib.import_module("pyarrow")
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise OutOfRange("Parquet needs pyarrow: pip install pyarrow, or export .csv") from None
    words = pa.dictionary(pa.int32(), pa.string())
    schema = pa.schema(
        [
            ("seq", pa.int64()),
            ("time", pa.timestamp("ms", tz="UTC")),
            ("signal", words),
            ("unit", words),
            ("origin", words),
            ("value", pa.float64()),
            ("quality", words),
            ("raw", words),
        ]
    )
    count = 0
    rows = _rows(reader, progress, period)
    with parquet.ParquetWriter(part, schema, compression="zstd") as out:
        while group := list(islice(rows, ROWS_AT_ONCE)):
            columns = list(zip(*group, strict=True))
            columns[-2:] = [tuple(quality.text for quality in column) for column in columns[-2:]]
            arrays = [
                pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)
            ]
            out.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(group)
    return count


def _write_json_lines(target: Path, documents: Iterator[Mapping[str, object]]) -> int:
    count = 0
    with _whole(target) as part, part.open("w", encoding="utf-8") as stream:
        for count, document in enumerate(documents, 1):  # noqa: B007
            stream.write(compact_json(document) + "\n")
    return count


def _input_documents(reader: Reader, period: ExportRange) -> Iterator[Mapping[str, object]]:
    for seq, item in reader.inputs():
        if period.holds(item.time_ms):
            what = "command" if isinstance(item, Command) else "resumed"
            fields = {name: getattr(item, name) for name in type(item).__dataclass_fields__}
            yield {"seq": seq, "input": what, "time": iso_utc(fields.pop("time_ms")), **fields}


def _event_documents(reader: Reader, period: ExportRange) -> Iterator[EventDocument]:
    after = 0
    while events := reader.events(after):
        after = events[-1]["seq"]
        yield from (e for e in events if period.holds(parse_iso_utc(e["time"])))
