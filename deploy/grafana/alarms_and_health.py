"""Two pages: alarms and ledgers over a week, and the health of dewline itself."""

from __future__ import annotations

from boxes import NO_MONITOR, PLACE, SITE, STEP, last_word, standing
from grafana_foundation_sdk.builders import stat, table
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.models import dashboard as models
from panels import (
    AMBER,
    DEEP,
    RED,
    UP_DOWN,
    YES_NO,
    bars,
    by_name,
    figure,
    graph,
    levels,
    rows,
    timeline,
    words,
)

Panel = Builder[models.Panel]

# Kind of ledger: title, and which of its numbers are shown. The time of a row is its end.
LEDGERS = {
    "regeneration": (
        "Regenerations",
        ("hottest_c", "complete", "hydrogen", "forming_gas_l", "needed_l", "share_of_own"),
    ),
    "isolation": (
        "Stops of the circulator, each a free leak test",
        ("oxygen_ppm_h", "oxygen_low_ppm_h", "oxygen_high_ppm_h", "oxygen_ingress_ml_h",
         "mean_gauge_mbar", "disturbed"),
    ),
    "leak-test": (
        "Leak tests",
        ("pressure_hold_hourly_rate", "pressure_hold_class", "oxygen_method_hourly_rate",
         "oxygen_method_class", "own_best"),
    ),
    "purge": ("Purges", ("litres", "volumes", "volumes_by_oxygen")),
    "clean-up": ("Clean-ups after something came in", ("from_ppm", "to_tenth_s", "share_of_best")),
    "sensor-response": (
        "Proofs of life of the analyzers",
        ("answered", "rise_ppm", "rise_s", "fall_to_tenth_s"),
    ),
    "pump-down": (
        "Pump-downs",
        ("floor_mbar", "best_floor_mbar", "reached_s", "time_constant_s", "share_of_best"),
    ),
    "gas-use": (
        "Gas use by day",
        ("used_l", "corrected_l", "vented_l", "fills", "idle_night_l_h", "hours"),
    ),
    "gap": ("What was not watched", ()),
}  # fmt: skip
OF_PARTS = ("clean-up", "sensor-response", "pump-down", "gap")  # a gas, a chamber, an instrument
FLAGS = ("complete", "hydrogen", "answered", "clean")


def alarms_page() -> list[Panel]:
    """Panels on alarms: active now, raised by day and by rule, all events; then the ledgers."""
    raised = f"\"transition\" = 'raised' AND {PLACE}"
    often = rows(
        "Most often raised",
        f'SELECT count("seq") AS "raised" FROM "event" WHERE {raised}'
        ' GROUP BY "site", "box", "alarm"',
        about="A few rules usually make most of the alarms: mend these first.",
    ).span(12)
    by_name(often, "Time", **{"custom.hidden": True})
    often.with_transformation(
        models.DataTransformerConfig(
            id_val="sortBy", options={"sort": [{"field": "raised", "desc": True}]}
        )
    )
    return [
        standing('"site" =~ /^$site$/ AND "box" =~ /^$box$/', 8),
        bars(
            "Raised a day",
            "none",
            (
                f'SELECT count("seq") FROM "event" WHERE {raised}'
                ' GROUP BY time(1d), "priority" fill(none)',
                "$tag_priority",
            ),
        ),
        often,
        rows(
            "What happened",
            'SELECT "box", "alarm", "transition", "priority", "value", "limit", "cause", "site"'
            f' FROM "event" WHERE {PLACE} ORDER BY time DESC LIMIT 500',
        ).height(10),
        *(_ledger(kind) for kind in [*LEDGERS][:-1]),
        _ledger([*LEDGERS][-1]).span(24),
    ]


def _ledger(kind: str) -> table.Panel:
    title, names = LEDGERS[kind]
    of = ("of",) if kind in OF_PARTS else ()
    shown = ", ".join(f'"{name}"' for name in ("box", *of, *names, "duration_s", "site"))
    panel = rows(
        title,
        f'SELECT {shown} FROM "ledger" WHERE "kind" = \'{kind}\' AND {PLACE}'
        " ORDER BY time DESC LIMIT 100",
        empty="none",
    )
    for name in FLAGS:
        if name in names:
            by_name(panel, name, mappings=words(YES_NO))
    by_name(panel, "Time", displayName="ended")
    return by_name(panel, "duration_s", unit="s", displayName="took").span(12)


def own(signal: str, by: str = '"site"', pick: str = "last") -> str:
    """Query for a signal of the box ``daemon``, or (``/pattern/``) for several."""
    match = f"= '{signal}'" if "/" not in signal else f"=~ {signal}"
    return (
        f'SELECT {pick}("value") FROM "reading" WHERE "box" = \'daemon\' AND "signal" {match}'
        f" AND {SITE} GROUP BY {STEP}, {by} fill(none)"
    )


def _alert(title: str, unit: str, signal: str, *steps: tuple[float | None, str]) -> stat.Panel:
    return figure(title, unit, (own(signal), "$tag_site")).thresholds(levels(*steps)).height(6)


def daemon_page() -> list[Panel]:
    """Panels on whether dewline itself works: record, tasks, disk, buses, followers."""
    return [
        last_word(),
        _alert("Record set aside as damaged", "none", "journal-damaged", (None, DEEP), (1, RED)),
        _alert("Tasks that keep failing", "none", "tasks-failed", (None, DEEP), (1, RED)),
        _alert(
            "Room on the disk", "decmbytes", "disk-free", (None, RED), (200, AMBER), (1000, DEEP)
        ),
        timeline(
            "Buses and instruments",
            UP_DOWN,
            (own("/-(link|answer)$/", '"signal", "site"', "min"), "$tag_site $tag_signal"),
            about="A box that is not read is not watched. " + NO_MONITOR,
        ).span(24),
        graph(
            "How far behind the followers are",
            "s",
            (own("/-behind$/", '"signal", "site"'), "$tag_site $tag_signal"),
            about="Nothing is lost meanwhile; from 900 s on an alarm stands.",
        ),
        graph(
            "Alarms in ten minutes",
            "none",
            (own("alarm-rate"), "$tag_site"),
            about="More than ten is a flood that nobody can follow (EEMUA 191 as commonly quoted).",
        ),
        bars(
            "Readings",
            "none",
            (
                f'SELECT count("code") FROM "reading" WHERE {SITE}'
                f' GROUP BY {STEP}, "site" fill(none)',
                "$tag_site",
            ),
        ),
        bars(
            "Bad readings",
            "none",
            (
                f'SELECT count("code") FROM "reading" WHERE "quality" =~ /^bad/ AND {SITE}'
                f' GROUP BY {STEP}, "box", "signal" fill(none)',
                "$tag_box $tag_signal",
            ),
        ),
    ]
