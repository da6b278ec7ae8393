"""The pages for every day: all boxes at a glance, and one box in depth."""

from __future__ import annotations

from grafana_foundation_sdk.builders import common, table
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.models import dashboard as models
from panels import (
    ON_OFF,
    OPEN_SHUT,
    QUALITIES,
    STATES,
    YES_NO,
    by_name,
    figure,
    graph,
    logarithmic,
    rows,
    timeline,
    words,
)

Panel = Builder[models.Panel]
PLACE = '"site" =~ /^$site$/ AND "box" =~ /^$box$/ AND $timeFilter'
SITE = '"site" =~ /^$site$/ AND $timeFilter'
STEP = "time($__interval)"
NO_MONITOR = "A reading here is no room oxygen monitor: the fixed monitor of the room decides."


def reading(signal: str, pick: str = "mean") -> str:
    """Query for one signal of the chosen box over time; ``pick`` is an InfluxQL function."""
    return (
        f'SELECT {pick}("value") FROM "reading" WHERE "signal" = \'{signal}\' AND {PLACE}'
        f" GROUP BY {STEP} fill(none)"
    )


def each(signal: str, by: str, pick: str = "mean") -> str:
    """Query for a signal of all chosen boxes, or (``/pattern/``) signals of one.

    ``by`` is the tag, in quotes, that makes one line each.
    """
    match = f"\"signal\" = '{signal}'" if "/" not in signal else f'"signal" =~ {signal}'
    return (
        f'SELECT {pick}("value") FROM "reading" WHERE {match} AND {PLACE}'
        f" GROUP BY {STEP}, {by} fill(none)"
    )


def limits(signal: str) -> tuple[str, str]:
    """Query and legend for the limits of the rules on a signal, as they were in force."""
    return (
        f'SELECT last("value") FROM "limit" WHERE "signal" = \'{signal}\' AND {PLACE}'
        f' GROUP BY {STEP}, "alarm", "side" fill(none)',
        "$tag_alarm $tag_side limit",
    )


def standing(where: str, height: int) -> table.Panel:
    """A table of the active alarms, the most urgent first.

    It looks thirty days back whatever the view, since an alarm may be older.
    """
    query = (
        'SELECT "state", "priority", "alarm", "box", "site", "cause" FROM'
        ' (SELECT last("state") AS "state", "priority", "cause" FROM "event"'
        f' WHERE {where} AND time > now() - 30d GROUP BY "site", "box", "alarm")'
        ' WHERE "state" > 0'
    )
    panel = rows(
        "Somebody is needed",
        query,
        about="Every alarm that is not over. Acknowledge with dewline ack BOX.ALARM or over MQTT.",
        empty="nobody",
    ).height(height)
    by_name(panel, "Time", displayName="since its last change", unit="dateTimeFromNow")
    by_name(
        panel,
        "state",
        mappings=words(STATES),
        **{"custom.cellOptions": {"type": "color-background", "mode": "basic"}},
    )
    return panel.with_transformation(
        models.DataTransformerConfig(
            id_val="sortBy", options={"sort": [{"field": "state", "desc": True}]}
        )
    )


def glance() -> table.Panel:
    """A table with one row for each box: the latest reading of its main signals."""
    columns = {
        "oxygen": ("oxygen", "ppm"),
        "moisture": ("moisture", "ppm"),
        "frost point": ("frost_point_calc", "celsius"),
        "pressure": ("pressure", "pressurembar"),
        "circulating": ("circulating", "none"),
        "bed, days left": ("bed_days_left", "none"),
    }
    panel = rows(
        "Every box, its latest readings",
        *(
            f'SELECT last("value") AS "{name}" FROM "reading"'
            f' WHERE "signal" = \'{signal}\' AND {PLACE} GROUP BY "site", "box"'
            for name, (signal, _) in columns.items()
        ),
        # A value stays in its column when nothing is read any more, or nothing to be believed.
        'SELECT max("code") AS "the worst of them" FROM'
        ' (SELECT last("code") AS "code" FROM "reading"'
        f' WHERE "signal" =~ /^(oxygen|moisture|pressure|circulating)$/ AND {PLACE}'
        ' GROUP BY "site", "box", "signal") GROUP BY "site", "box"',
        about="What was read last in the chosen time, however old, and whether it can be believed"
        " now: see One box.",
    )
    by_name(
        panel,
        "the worst of them",
        mappings=words(QUALITIES),
        **{"custom.cellOptions": {"type": "color-text"}},
    )
    for name, (_, unit) in columns.items():
        by_name(panel, name, unit=unit, decimals=2 if unit == "ppm" else 1)
    by_name(panel, "circulating", mappings=words(YES_NO))
    to_box = (
        "/d/dewline-box?var-site=${__data.fields.site}&var-box=${__value.text}&${__url_time_range}"
    )
    by_name(panel, "box", links=[{"title": "in depth", "url": to_box}])
    # Every query has a time of its own, by which nothing could be joined.
    for name, options in (
        ("filterFieldsByName", {"exclude": {"names": ["Time"]}}),
        ("merge", {}),
        ("sortBy", {"sort": [{"field": "box"}]}),
    ):
        panel.with_transformation(models.DataTransformerConfig(id_val=name, options=options))
    return panel


def last_word() -> Panel:
    """When each daemon wrote last, because no data does not mean that all is well."""
    query = (
        'SELECT last("value") FROM "reading" WHERE "box" = \'daemon\''
        f' AND "signal" = \'disk-free\' AND {SITE} GROUP BY "site"'
    )
    panel = figure(
        "Last word of each daemon",
        "dateTimeFromNow",
        (query, "$tag_site"),
        "dewline speaks of itself every 30 s. Older than some minutes: nobody watches.",
    )
    return (
        panel.reduce_options(common.ReduceDataOptions().calcs(["lastNotNull"]).fields("/^Time$/"))
        .span(6)
        .height(6)
    )


def overview_page() -> list[Panel]:
    """Panels of the overview: active alarms, then every box, then the room they share."""
    return [
        standing('"site" =~ /^$site$/', 6).span(18),
        last_word(),
        glance(),
        logarithmic(
            graph(
                "Oxygen, the highest of each step",
                "ppm",
                (each("oxygen", '"box"', "max"), "$tag_box"),
            )
        ),
        logarithmic(
            graph(
                "Moisture, the highest of each step",
                "ppm",
                (each("moisture", '"box"', "max"), "$tag_box"),
            )
        ),
        graph("Box pressure, gauge", "pressurembar", (each("pressure", '"box"'), "$tag_box")),
        graph(
            "Room",
            "percent",
            (
                'SELECT min("value") FROM "reading" WHERE "signal" = \'room_oxygen\''
                f' AND {SITE} GROUP BY {STEP}, "site" fill(none)',
                "$tag_site, oxygen by volume",
            ),
            about=NO_MONITOR,
        ),
    ]


def box_page() -> list[Panel]:
    """Panels of one box, from active alarms to whether its readings can be trusted."""
    return [
        standing('"site" =~ /^$site$/ AND "box" =~ /^$box$/', 6),
        *_gas(),
        *_pressure(),
        *_antechambers(),
        *_purifier(),
        *_trust(),
    ]


def _gas() -> list[Panel]:
    shown = []
    for gas in ("oxygen", "moisture"):
        shown.append(
            logarithmic(
                graph(
                    f"{gas.capitalize()} against its limits and its own idle baseline",
                    "ppm",
                    (reading(gas, "max"), gas),
                    (reading(f"{gas}_idle", "last"), "idle baseline"),
                    limits(gas),
                    about="The highest of each step, as the rules see it.",
                )
            )
        )
    return [
        *shown,
        graph(
            "How fast they change",
            "suffix: ppm/h",
            (reading("oxygen_slope"), "oxygen"),
            (reading("moisture_slope"), "moisture"),
        ),
        graph(
            "What comes in",
            "suffix: mL/h",
            (reading("oxygen_ingress"), "oxygen"),
            (reading("moisture_ingress"), "water vapour"),
            about="At 0 °C and 1013.25 mbar. Glove permeation is in it.",
        ),
        graph(
            "Frost point, over ice",
            "celsius",
            (reading("frost_point"), "measured"),
            (reading("frost_point_calc"), "from moisture"),
        ),
        graph("Temperature", "celsius", (reading("temperature"), "box")),
    ]


def _pressure() -> list[Panel]:
    return [
        graph(
            "Pressure in its band, gauge",
            "pressurembar",
            (reading("pressure", "min"), "lowest"),
            (reading("pressure", "max"), "highest"),
            (reading("pressure_low"), "fills below (control)"),
            (reading("pressure_high"), "relieves above (control)"),
            limits("pressure"),
        ),
        graph(
            "Gas use",
            "suffix: L/d",
            (reading("gas_use", "last"), "litres a day"),
            about="Gas loss is outward. It is never converted into air ingress.",
        ),
    ]


def _antechambers() -> list[Panel]:
    transfers = rows(
        "Transfers",
        'SELECT "of" AS "antechamber", "cycles", "deepest_mbar", "residual_ppm", "clean",'
        ' "expected_cm3", "seen_cm3", "duration_s"'
        f' FROM "ledger" WHERE "kind" = \'transfer\' AND {PLACE} ORDER BY time DESC LIMIT 100',
        about="Judged by dose, not by peak: oxygen expected from the chamber, and seen.",
        empty="no transfer",
    )
    by_name(transfers, "clean", mappings=words(YES_NO))
    by_name(transfers, "duration_s", unit="s")
    return [
        graph(
            "Antechambers, absolute",
            "pressurembar",
            (
                each("/_pressure$/", '"signal"').replace(
                    "WHERE", 'WHERE "signal" !~ /^(foreline|forming_gas)_/ AND'
                ),
                "$tag_signal",
            ),
        ),
        timeline(
            "Doors of the antechambers",
            OPEN_SHUT,
            (each("/_(inner|outer)_door$/", '"signal"', "max"), "$tag_signal"),
        ),
        transfers,
    ]


def _purifier() -> list[Panel]:
    return [
        graph(
            "Bed",
            "percent",
            (reading("bed_water_load", "last"), "water load"),
            (reading("bed_oxygen_load", "last"), "oxygen load"),
            about="An estimate from what came in; see days left for its end.",
        ),
        graph("Bed, days left", "suffix: d", (reading("bed_days_left", "last"), "days left")),
        timeline(
            "Circulation and regeneration",
            ON_OFF,
            (each("/^(circulating|regenerating|purging)$/", '"signal"', "max"), "$tag_signal"),
        ),
        graph(
            "Bed and freezer",
            "celsius",
            (reading("bed_temperature"), "bed"),
            (reading("freezer_temperature"), "freezer"),
            (reading("freezer_setpoint", "last"), "freezer setpoint"),
        ),
    ]


def _trust() -> list[Panel]:
    return [
        graph(
            "Share of the time at work",
            "percent",
            (reading("fill_duty"), "fill valve"),
            (reading("freezer_duty"), "freezer compressor"),
            about="What works ever more for the same result is on its way out.",
        ),
        timeline(
            "Can the readings be trusted",
            QUALITIES,
            (
                'SELECT max("code") FROM "reading" WHERE "signal" =~'
                f" /^(oxygen|moisture|pressure|frost_point)$/ AND {PLACE}"
                f' GROUP BY {STEP}, "signal" fill(none)',
                "$tag_signal",
            ),
            (
                'SELECT max("code") FROM "verdict" WHERE "signal" =~'
                f" /^(oxygen|moisture|pressure|frost_point)$/ AND {PLACE}"
                f' GROUP BY {STEP}, "signal", "quality" fill(previous)',
                "$tag_signal $tag_quality",
            ),
            about="The worst of each step. Over range is a value at the end of the range, no gap."
            " A line with a word says since when it holds, also where that was found later.",
        ),
    ]
