"""What ``dewline status`` prints of a document, for somebody who reads it on a terminal."""

from __future__ import annotations

import pytest

from dewline.cli import status
from dewline.live.requests import BoxStatus, FollowerStatus
from dewline.watch.derived.nitrogen import NitrogenRange
from dewline.watch.derived.outlook_table import BedOutlook, BoxOutlook, ShortestDaysLeft
from dewline.watch.ledgers.rows import ShownRow

DAYS: ShortestDaysLeft = {
    "by": "moisture",
    "low": 11.4,
    "middle": 23.2,
    "high": 41.0,
    "source_ml_h": 0.5,
    "since_regeneration": True,
    "past_runs": 2,
}
BED: BedOutlook = {"purifier": "p1", "bed": 1, "bed_days_left": DAYS, "days_left": {}}


NOTHING_KNOWN: BoxOutlook = {
    "learning": False,
    "idle_ppm": {},
    "nights": {},
    "ingress_ml_h": {},
    "clean_up_s": None,
    "best_clean_up_s": None,
    "idle_gas_loss_l_h": None,
    "proven_ms": {},
    "nitrogen": None,
    "bed": None,
}


TRANSFER: ShownRow = {
    "box": "heron",
    "kind": "transfer",
    "started_ms": 1_783_000_000_000,  # 2026-07-02T13:46:40Z
    "ended_ms": 1_783_000_300_000,
    "document": {},
}


def printed(
    capsys: pytest.CaptureFixture[str],
    ahead: BoxOutlook = NOTHING_KNOWN,
    barred: dict[str, str] | None = None,
) -> str:
    """The text of a status with one box; ``barred`` are roads of the pages."""
    push: FollowerStatus = {"events_behind": 0, "seconds_behind": 0.0, "barred": barred or {}}
    box: BoxStatus = {
        "title": "Cells",
        "modes": [],
        "modes_unread": [],
        "planned": {"opened": "2026-07-02T16:46:40.000Z"},
        "read": True,
        "last_read": None,
        "readings": {},
        "ahead": ahead,
    }
    status._print(
        {
            "site": "saltmarsh",
            "timezone": "Europe/Lisbon",
            "state": "normal",
            "boxes": {"heron": box},
            "alarms": [],
            "ledger": {"open": [], "recent": [TRANSFER]},
            "followers": {"push": push},
        }
    )
    return capsys.readouterr().out


def test_a_road_that_is_barred_stands_on_top(capsys: pytest.CaptureFixture[str]) -> None:
    """Who reads the status because no page came finds the reason in its second line."""
    barred = {"page-desk": "cannot read desk.url: No such file or directory"}
    told = printed(capsys, NOTHING_KNOWN, barred)
    line = told.splitlines()[1]
    assert line == f"NO ALARM GOES OUT BY page-desk: {barred['page-desk']}"


def test_times_are_those_of_the_site_and_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    """A status is read beside pages, whose times are those of the site."""
    told = printed(capsys, NOTHING_KNOWN)
    assert "2026-07-02 14:46:40 WEST to 2026-07-02 14:51:40 WEST  heron transfer" in told


def test_planned_work_is_told_with_its_end(capsys: pytest.CaptureFixture[str]) -> None:
    """Who comes to a box that is quiet sees that it was made so, and until when."""
    assert "planned: opened until 2026-07-02 17:46:40 WEST" in printed(capsys, NOTHING_KNOWN)


def test_the_bed_is_told_with_its_range(capsys: pytest.CaptureFixture[str]) -> None:
    """Never the middle alone: a bed's days are an interval, and it says how sure it is."""
    told = printed(capsys, {**NOTHING_KNOWN, "bed": BED})
    assert "bed 1 of p1: about 23 days left by moisture, between 11 and 41 (4 in 5)\n" in told


def test_a_run_that_was_not_seen_from_its_start_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """What the bed took before the watch began is not known, and a reader has to know that."""
    bed: BedOutlook = {**BED, "bed_days_left": {**DAYS, "since_regeneration": False}}
    told = printed(capsys, {**NOTHING_KNOWN, "bed": bed})
    assert "(4 in 5); its last regeneration was not seen\n" in told


def test_nitrogen_is_told_as_an_interval(capsys: pytest.CaptureFixture[str]) -> None:
    """No sensor reads it in argon: both ends of the estimate are shown."""
    nitrogen: NitrogenRange = {"low_ppm": 1204.2, "high_ppm": 3105.9, "since_ms": 0}
    told = printed(capsys, {**NOTHING_KNOWN, "nitrogen": nitrogen})
    assert "nitrogen let in since the last purge: 1204 to 3106 ppm\n" in told


def test_no_purge_is_named_that_nobody_saw(capsys: pytest.CaptureFixture[str]) -> None:
    """Without one the count began with the watching, and the line says so."""
    nitrogen: NitrogenRange = {"low_ppm": 4.2, "high_ppm": 31.9, "since_ms": None}
    told = printed(capsys, {**NOTHING_KNOWN, "nitrogen": nitrogen})
    assert "nitrogen let in since watching began: 4 to 32 ppm\n" in told
    assert "purge" not in told


@pytest.mark.parametrize("bed", [None, {**BED, "bed_days_left": None}])
def test_nothing_known_is_nothing_said(
    bed: BedOutlook | None, capsys: pytest.CaptureFixture[str]
) -> None:
    """A box without a purifier, or one just watched, has no line about days."""
    told = printed(capsys, {**NOTHING_KNOWN, "bed": bed})
    assert "days" not in told
    assert "nitrogen" not in told
