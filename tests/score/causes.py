"""Tell every story to the watch and mark what it says: causes, calibration, leads, pages, outlooks.

    python -m tests.score.causes [--seeds 1000-1019] [--stories a,b] [--jobs 2] [--wider 0.25]
                                 [--write tests/score/causes.md] [--keep FILE] [--from FILE]
                                 [--json]

Sizes are drawn by the seed, their ranges ``--wider`` by that share on both sides. Seeds 0-9 are
for tuning; what is reported is told on seeds 1000-1019, which no weight was set on. A story
of more than 12 box-hours is told with fewer seeds (``SHARES``), the ordinary week with all of
them, so that a whole run stays within 90 minutes on two cores. An instrument is read at its own
pace about all that happens, every 5 s where nothing has happened for ten minutes.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from dewline_sim import story as stories
from tests.score.bench import tell
from tests.score.marks import rows
from tests.score.table import table_of

# Box-hours of a story, and the share of the seeds it gets.
SHARES = ((12.0, 1.0), (20.0, 0.6), (24.0, 0.5), (56.0, 0.2), (1e9, 0.05))
SHARE_OF = {
    "ordinary": 1.0,
    "bed-water": 0.2,
    "heat-wave": 0.2,
    "impure-supply": 0.2,
    "bed-slow": 0.15,
}


def main() -> int:
    """Exit status 0; the table goes to stdout or to the file named."""
    args = _arguments()
    told = list(args.of)
    jobs = [] if told else list(jobs_of(args.stories, args.seeds, args.wider))
    with multiprocessing.Pool(args.jobs) as pool:
        for row in pool.imap_unordered(run, jobs):
            told.append(row)
            if args.keep:
                with args.keep.open("a") as kept:
                    kept.write(json.dumps(row) + "\n")
            print(f"{row['story']} {row['seed']}", file=sys.stderr, flush=True)
    told.sort(key=lambda row: (row["story"], row["seed"]))
    args.seeds = sorted({row["seed"] for row in told})
    text = json.dumps(told) if args.json else table_of(told, args)
    if args.write:
        args.write.write_text(text)
    else:
        print(text)
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", type=_seeds, default=list(range(1000, 1020)))
    parser.add_argument("--stories", type=lambda t: t.split(","), default=list(stories.names()))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--wider", type=float, default=0.25)
    parser.add_argument("--write", type=Path)
    parser.add_argument("--keep", type=Path, help="append each telling here as it is done")
    parser.add_argument(
        "--from", dest="of", type=_kept, default=[], help="tell nothing: read these"
    )
    parser.add_argument("--json", action="store_true")
    return parser.parse_args()


def _kept(path: str) -> list[dict[str, Any]]:
    """Tellings that ``--keep`` wrote."""
    return [json.loads(line) for line in Path(path).read_text(encoding="utf-8").splitlines()]


def _seeds(text: str) -> list[int]:
    """``0-9`` or ``1,4,7``."""
    found: list[int] = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


Job = tuple[str, int, float]


def jobs_of(names: list[str], seeds: list[int], wider: float) -> Iterator[Job]:
    """Seed by seed: a run that is cut short has told whole seeds."""
    hours = {name: _box_hours(name) for name in names}
    for number, seed in enumerate(seeds):
        for name in sorted(names, key=hours.__getitem__):
            least = next(share for most, share in SHARES if hours[name] <= most)
            if number < max(1, round(SHARE_OF.get(name, least) * len(seeds))):
                yield name, seed, wider


def _box_hours(name: str) -> float:
    story = stories.load(name, 0)
    return (story.end_ms - story.start_ms) / 3.6e6 * len(story.setup["boxes"])


def run(job: Job) -> dict[str, Any]:
    """Tell one story; runs in a process of its own."""
    name, seed, wider = job
    story = widened(name, seed, wider)
    follow = tuple((box, gas) for box in story.setup["boxes"] for gas in ("oxygen", "moisture"))
    return rows(tell(story, follow=follow, coarse=True))


def widened(name: str, seed: int, share: float) -> stories.Story:
    """A story whose sizes are drawn from ranges wider by ``share`` on each side."""
    file = stories.scenarios() / f"{name}.yaml"
    document = yaml.safe_load(file.read_text(encoding="utf-8"))
    draw = {key: _wider(bounds, share) for key, bounds in (document.get("draw") or {}).items()}
    return stories.tell({**document, "draw": draw}, name, seed)


def _wider(bounds: list[Any], share: float) -> list[Any]:
    low, high, *how = bounds
    if how == ["whole"]:
        return bounds
    if how == ["log"]:
        return [low / (high / low) ** share, high * (high / low) ** share, *how]
    more = share * (high - low)
    # A per cent stays one, and what is never negative does not become so.
    top = min(100.0, high + more) if high <= 100.0 < high + more else high + more
    return [max(0.5 * low, low - more) if low >= 0 else low - more, top]


if __name__ == "__main__":
    sys.exit(main())
