"""Build the dashboards: ``python deploy/grafana/build.py [FOLDER]`` writes them, always the same.

Needs Grafana's own library of builders: ``pip install -e '.[grafana]'``. Queries
are InfluxQL, which InfluxDB 1, 2 and 3 all take. Each page begins with what
somebody has to act on; the rest follows in the order in which people look for it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

from alarms_and_health import alarms_page, daemon_page
from boxes import box_page, overview_page
from grafana_foundation_sdk.builders import dashboard as dashboards
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import dashboard as models
from panels import links, variable

Panel = Builder[models.Panel]
SITES = 'SHOW TAG VALUES FROM "reading" WITH KEY = "site"'
BOXES = (
    'SHOW TAG VALUES FROM "reading" WITH KEY = "box"'
    ' WHERE "site" =~ /^$site$/ AND ("signal" = \'oxygen\' OR "signal" = \'moisture\')'
)
PAGES: dict[str, tuple[str, str, str, Callable[[], list[Panel]]]] = {
    "dewline-overview": ("Boxes", "now-24h", "1m", overview_page),
    "dewline-box": ("One box", "now-24h", "1m", box_page),
    "dewline-alarms": ("Alarms and ledgers", "now-7d", "5m", alarms_page),
    "dewline-daemon": ("Health of dewline", "now-24h", "5m", daemon_page),
}


def build(uid: str) -> dict[str, object]:
    """One dashboard as Grafana stores it: fixed uid, no id, no inputs.

    Every page has the choice of a site and links to the others; all but the
    page on dewline itself have the choice of a box.
    """
    title, since, refresh, panels = PAGES[uid]
    page = (
        dashboards.Dashboard(f"dewline: {title}")
        .uid(uid)
        .tags(["dewline"])
        .timezone("browser")
        .readonly()
        .tooltip(models.DashboardCursorSync.CROSSHAIR)
        .time(since, "now")
        .refresh(refresh)
        .links(links([(PAGES[other][0], other) for other in PAGES if other != uid]))
        .with_variable(variable("site", "Site", SITES, every=True))
    )
    if uid != "dewline-daemon":
        page.with_variable(variable("box", "Box", BOXES, every=uid != "dewline-box"))
    for number, panel in enumerate(panels(), 1):
        page.with_panel(panel.id(number))  # type: ignore[attr-defined]
    document: dict[str, object] = json.loads(json.dumps(page.build(), cls=JSONEncoder))
    return {**document, "id": None}


def text_of(uid: str) -> str:
    """The file's text, with sorted keys, so that a diff shows only what changed."""
    return json.dumps(build(uid), indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def main(folder: Path) -> None:
    """Write all pages as JSON files into ``folder``, which is made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for uid in PAGES:
        (folder / f"{uid}.json").write_text(text_of(uid), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "dashboards")
