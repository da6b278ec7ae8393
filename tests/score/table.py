"""The table of a score run, as Markdown."""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from statistics import median
from typing import Any

SURE = 0.8
MONTH_H = 730.0


def table_of(told: list[dict[str, Any]], args: argparse.Namespace) -> str:
    """Everything the run says."""
    said = [s for row in told for s in row["sayings"] if s["truth"] != "nothing"]
    lines = ["# What the watch says of the stories", "", *_head(told, args)]
    lines += ["", "## Causes", "", *_causes(said)]
    lines += ["", "## Stated confidence against share right", "", *_calibration(said)]
    lines += ["", "## Lead over a plain limit at 5 ppm", "", *_leads(told)]
    lines += ["", "## By story", "", *_by_story(told)]
    lines += ["", "## What was said of what was true", "", *_confusion(said)]
    lines += ["", "## Outlooks", "", *_outlooks(told)]
    lines += ["", "## Pages", "", *_pages(told)]
    return "\n".join(lines) + "\n"


def figures(said: list[dict[str, Any]]) -> dict[str, float]:
    """Shares of the sayings about something wrong."""
    sure = [s for s in said if s["confidence"] >= SURE and s["name"] != "unknown"]
    single_wrong = [s for s in sure if not s["right"] and not s["also"]]
    return {
        "sayings": len(said),
        "right": _share(s["right"] for s in said),
        "sure": len(sure),
        "sure_right": _share(s["right"] for s in sure),
        "sure_single_wrong": len(single_wrong) / max(1, len(said)),
    }


def _share(marks: Iterable[bool]) -> float:
    found = list(marks)
    return sum(found) / len(found) if found else 0.0


def _head(told: list[dict[str, Any]], args: argparse.Namespace) -> Iterator[str]:
    took_min = sum(row.get("took_s", 0.0) for row in told) / 60
    hours = sum(row["box_hours"] for row in told)
    readings = sum(row["readings"] for row in told)
    yield (
        f"{len(told)} tellings of {len({row['story'] for row in told})} stories, seeds "
        f"{min(args.seeds)}-{max(args.seeds)}, ranges {args.wider:.0%} wider, {hours:.0f} "
        f"box-hours, {readings / 1e6:.1f} million readings, {took_min:.0f} min of processor."
    )


def _causes(said: list[dict[str, Any]]) -> Iterator[str]:
    f = figures(said)
    yield "| figure | measured | wanted |"
    yield "|---|---|---|"
    yield f"| sayings about something wrong | {f['sayings']:.0f} | |"
    yield f"| right name or right set | {f['right']:.1%} | >= 90 % |"
    yield f"| stated at >= 0.8 | {f['sure']:.0f} | |"
    yield f"| of these right | {f['sure_right']:.1%} | >= 90 % |"
    yield f"| single names, wrong, at >= 0.8 | {f['sure_single_wrong']:.1%} | <= 3 % |"


def _calibration(said: list[dict[str, Any]]) -> Iterator[str]:
    yield "| stated | sayings | right |"
    yield "|---|---|---|"
    for tenth in range(10):
        mine = [
            s for s in said if s["name"] != "unknown" and min(9, int(s["confidence"] * 10)) == tenth
        ]
        if mine:
            share = _share(s["right"] for s in mine)
            yield f"| {tenth / 10:.1f}-{(tenth + 1) / 10:.1f} | {len(mine)} | {share:.0%} |"


WANTED_LEADS = {
    "bed-slow": "idle >= 2 d, climb >= 3 h",
    "bed-water": "climb >= 3 h",
    "circulator-trip": "after <= 5 min",
    "torn-glove": "after <= 100 s",
    "air-rush": "after <= 10 s",
}


def _leads(told: list[dict[str, Any]]) -> Iterator[str]:
    """Medians, by story and cause: how early the first alarm, of the truth's 5 ppm."""
    yield (
        "| story | cause | tellings | first alarm after | before 5 ppm | from idle | "
        "in the climb | wanted |"
    )
    yield "|---|---|---|---|---|---|---|---|"
    found: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in told:
        for lead in row["leads"]:
            found[row["story"], lead["cause"]].append(lead)
    for (story, cause), rows in sorted(found.items()):
        crossed = [r for r in rows if "before_s" in r]
        if crossed or story in WANTED_LEADS:
            cells = [_middle(r.get(k) for r in rows) for k in ("after_s", *LEADS)]
            wanted = WANTED_LEADS.get(story, "")
            yield f"| {story} | {cause} | {len(rows)} | {' | '.join(cells)} | {wanted} |"


LEADS = ("before_s", "idle_s", "climb_s")


def _middle(seconds: Iterable[float | None]) -> str:
    known = [s for s in seconds if s is not None]
    return _time(median(known)) if known else "-"


def _by_story(told: list[dict[str, Any]]) -> Iterator[str]:
    """First alarm about each thing that was wrong, and how the sayings did."""
    yield "| story | wrong | told of | first alarm after | sayings | right | pages |"
    yield "|---|---|---|---|---|---|---|"
    wrongs: dict[tuple[str, str], list[float | None]] = defaultdict(list)
    said: dict[str, list[bool]] = defaultdict(list)
    pages: Counter[str] = Counter()
    for row in told:
        pages[row["story"]] += len(row["pages"])
        mine = [s for s in row["sayings"] if s["truth"] != "nothing"]
        said[row["story"]] += [s["right"] for s in mine]
        for cause, place, from_ms, _to_ms, _note in row["wrongs"]:
            raised = [s["at_ms"] for s in mine if cause in s["truth"].split("/")]
            raised += [at for _, box, at in row["alarms"] if box == place and at >= from_ms]
            first = (min(raised) - from_ms) / 1000 if raised else None
            wrongs[row["story"], cause].append(first)
    for (story, cause), firsts in sorted(wrongs.items()):
        found = [f for f in firsts if f is not None]
        lead = _time(median(found)) if found else "-"
        marks = said[story]
        yield (
            f"| {story} | {cause} | {len(found)} of {len(firsts)} | {lead} | {len(marks)} | "
            f"{_share(marks):.0%} | {pages[story]} |"
        )


def _time(seconds: float) -> str:
    if abs(seconds) < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if abs(seconds) < 7200 else f"{seconds / 3600:.1f} h"


def _confusion(said: list[dict[str, Any]]) -> Iterator[str]:
    yield "| true | said (first name), times |"
    yield "|---|---|"
    by: dict[str, Counter[str]] = defaultdict(Counter)
    for saying in said:
        mark = "" if saying["right"] else " (wrong)"
        by[saying["truth"]][saying["name"] + mark] += 1
    for truth, names in sorted(by.items()):
        yield f"| {truth} | {', '.join(f'{n} {k}' for n, k in names.most_common())} |"


def _outlooks(told: list[dict[str, Any]]) -> Iterator[str]:
    crossings = [c for row in told for c in row["crossings"]]
    inside = _share(low <= true <= high for low, high, true in crossings)
    yield (
        f"{len(crossings)} outlooks whose limit the truth did cross: {inside:.0%} crossed inside "
        "the stated range (wanted >= 80 %)."
    )


def _pages(told: list[dict[str, Any]]) -> Iterator[str]:
    all_hours = sum(row["box_hours"] for row in told if row["wrongs"])
    all_pages = sum(len(row["pages"]) for row in told if row["wrongs"])
    yield (
        f"{all_pages} pages in {all_hours:.0f} box-hours of stories in which something is wrong: "
        f"{all_pages / max(1.0, all_hours) * MONTH_H:.0f} per box-month of nothing but trouble."
    )
    yield ""
    quiet = [row for row in told if not row["wrongs"] and row["story"] == "ordinary"]
    hours = sum(row["box_hours"] for row in quiet)
    count = sum(len(row["pages"]) for row in quiet)
    weeks = hours / 168
    yield (
        f"{count} pages (high or critical) in {weeks:.1f} quiet box-weeks "
        "(wanted: at most 4 in 20): "
        f"{count / hours * MONTH_H if hours else 0.0:.1f} per box-month."
    )
    for row in quiet:
        for alarm, at_ms in row["pages"]:
            yield f"- {row['story']} {row['seed']}: {alarm} at {at_ms}"
