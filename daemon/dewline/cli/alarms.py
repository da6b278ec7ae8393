"""``dewline alarms [--since TIME] [--until TIME]``: how good the alarm system is."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import TypedDict

from dewline.cli.terminal import (
    add_config_arguments,
    add_period_arguments,
    period_of,
    plan_of,
    print_json,
    shown,
)
from dewline.errors import OutOfRange
from dewline.events import PRIORITIES, EventDocument
from dewline.hours import zone_of
from dewline.journal import Reader
from dewline.readings import iso_utc, shown_value
from dewline.reports.alarm_performance import DAY_MS, AlarmPerformance, AlarmSpan, Figure, judge

USUAL_DAYS = 30
BATCH = 1000
LATELY_MS = 600_000


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config of the record, and the period to judge."""
    add_config_arguments(parser)
    add_period_arguments(parser, f"{USUAL_DAYS} days before that")


def run(args: argparse.Namespace) -> int:
    """Judge the alarms of a period against published figures and print the result.

    Exit status 0 where every figure is within what is asked, 1 where one is outside; a figure
    with too few alarms to say is neither. ``--json`` prints one object.
    """
    plan = plan_of(args)
    zone = zone_of(plan.watch.timezone)
    since_ms, until_ms = period_of(args, plan)
    with Reader(plan.journal.path) as reader:
        end_ms = (reader.tail().time_ms or 0) + 1
        to_ms = end_ms if until_ms is None else until_ms
        from_ms = to_ms - USUAL_DAYS * DAY_MS if since_ms is None else since_ms
        first_ms = reader.first_ms()
        if since_ms is None and first_ms is not None:
            from_ms = max(from_ms, first_ms)
        if from_ms >= to_ms:
            raise OutOfRange("the period ends before it begins; give --since an earlier time")
        signals: dict[str, str] = {}
        found = judge(_events(reader, signals), from_ms, to_ms, zone)
        now = dict(_present(reader, found, signals)) if to_ms == end_ms else {}
    if args.json:
        print_json({**found.document(), "now": now})
    else:
        _print(found, zone, now)
    return 1 if any(figure.within is False for figure in found.figures()) else 0


def _events(reader: Reader, signals: dict[str, str]) -> Iterator[EventDocument]:
    """All events; the signal of each alarm is put into ``signals``."""
    after = 0
    while documents := reader.events(after, BATCH):
        signals.update((document["alarm"], document["signal"]) for document in documents)
        yield from documents
        after = documents[-1]["seq"]


class Present(TypedDict):
    """What the signal of an alarm that still stands read last in the record."""

    value: float | None
    unit: str
    quality: str
    time: str


def _present(
    reader: Reader, found: AlarmPerformance, signals: Mapping[str, str]
) -> Iterator[tuple[str, Present]]:
    """By alarm that still stands: the figures of its events are of the time when it moved."""
    units = reader.signals()
    standing = {span.alarm for span in (*found.standing, *found.unacknowledged) if not span.to_ms}
    for alarm in sorted(standing & signals.keys()):
        signal = signals[alarm]
        points = reader.series(signal, found.to_ms - LATELY_MS, found.to_ms)
        if points:
            yield (
                alarm,
                {
                    "value": shown_value(points[-1].value, points[-1].quality),
                    "unit": units[signal],
                    "quality": points[-1].quality.text,
                    "time": iso_utc(points[-1].time_ms),
                },
            )


def _print(found: AlarmPerformance, zone: tzinfo, now: Mapping[str, Present]) -> None:
    print(f"{_clock(found.from_ms, zone)} to {_clock(found.to_ms, zone)}, {found.days:.1f} days")
    print(f"\nnew alarms: {len(found.alarms_ms)}")
    for priority in PRIORITIES:
        print(f"  {priority:<10} {found.by_priority[priority]:>6}")
    print("\na day")
    for day, count in sorted(found.by_day.items()):
        print(f"  {day} {count:>6}")
    print("\nmost frequent")
    for alarm, count in found.by_alarm.most_common(10):
        print(f"  {count:>6}  {alarm}")
    for alarm, count in found.chattering.items():
        print(f"  chattering: {alarm}, {count} times three cycles in a minute")
    _print_spans("standing longer than 24 h", found.standing, found.to_ms, zone, now)
    _print_spans("longest unacknowledged", found.unacknowledged, found.to_ms, zone, now)
    _print_spans("shelved", found.shelved, found.to_ms, zone, {})
    _print_spans("out of service", found.out_of_service, found.to_ms, zone, {})
    print("\nheld against the trade's figures (for one person who watches; no certificate)")
    for figure in found.figures():
        print(f"  {_line(figure)}")


def _print_spans(
    title: str,
    spans: Sequence[AlarmSpan],
    end_ms: int,
    zone: tzinfo,
    now: Mapping[str, Present],
) -> None:
    print(f"\n{title}: {len(spans) or 'none'}")
    for span in spans:
        hours = span.length_ms(end_ms) / 3_600_000
        who = f"  by {span.by}" if span.by else ""
        why = f"  ({span.why})" if span.why else ""
        still = "" if span.to_ms is not None else ", still"
        begun = _clock(span.from_ms, zone)
        present = now.get(span.alarm) if still else None
        reads = ""
        if present is not None:
            figure = shown(present["value"], present["unit"], present["quality"])
            reads = f", now {figure or present['quality']}"
        print(f"  {span.alarm:<36} {begun}  {hours:.2f} h{still}{reads}{who}{why}")


def _line(figure: Figure) -> str:
    share = "%" in figure.asked
    value = f"{100 * figure.value:.1f} %" if share else f"{figure.value:.3g}"
    verdict = {True: "ok", False: "OUTSIDE", None: "too few to say"}[figure.within]
    return f"{figure.name:<32} {value:>9}  asked: {figure.asked:<24} {verdict}  [{figure.source}]"


def _clock(time_ms: int, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d %H:%M}"
