"""What dewline's dashboards are made of: InfluxQL queries and a few kinds of panel.

Colour is kept for what needs a person: grey and blue are data, amber is to be
looked at, red is to be acted on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from grafana_foundation_sdk.builders import common as common_builders
from grafana_foundation_sdk.builders import dashboard as dashboards
from grafana_foundation_sdk.builders import stat, statetimeline, table, timeseries
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.cog.variants import Dataquery
from grafana_foundation_sdk.models import common
from grafana_foundation_sdk.models import dashboard as models

SOURCE = models.DataSourceRef(type_val="influxdb", uid="dewline")
GREY, BLUE, DEEP, AMBER, RED = "#8A939E", "#4F7CAC", "#22577A", "#D9962B", "#C2453B"
QUIET = "transparent"

# Ranks of dewline/journal/lines.py STATE_RANK, and codes of dewline/readings.py Quality.
STATES = {
    0: ("normal", QUIET),
    1: ("out of service", GREY),
    2: ("suppressed", GREY),
    3: ("shelved", GREY),
    4: ("returned", GREY),
    5: ("latched, acknowledged", BLUE),
    6: ("acknowledged", BLUE),
    7: ("latched, not acknowledged", AMBER),
    8: ("not acknowledged", RED),
}
QUALITIES = {
    0: ("good", BLUE),
    1: ("at the floor", BLUE),
    10: ("over range", AMBER),
    11: ("under range", AMBER),
    12: ("warming up", GREY),
    13: ("not proven", GREY),
    20: ("no answer", RED),
    21: ("exception", RED),
    22: ("no number", RED),
    23: ("loop fault", RED),
    24: ("instrument fault", RED),
    25: ("frozen", AMBER),
    26: ("off", GREY),
}
ON_OFF = {0: ("off", QUIET), 1: ("on", BLUE)}
OPEN_SHUT = {0: ("shut", QUIET), 1: ("open", AMBER)}
UP_DOWN = {0: ("down", RED), 1: ("up", BLUE)}
YES_NO = {0: ("no", AMBER), 1: ("yes", QUIET)}
Words = dict[int, tuple[str, str]]


@dataclass
class Influx(Dataquery):
    """One InfluxQL query of a panel. ``alias`` is the legend of a series."""

    text: str
    letter: str
    alias: str | None = None  # None: a table

    def to_json(self) -> dict[str, object]:
        """The query as Grafana's InfluxDB data source stores it."""
        payload: dict[str, object] = {
            "datasource": SOURCE,
            "refId": self.letter,
            "query": self.text,
            "rawQuery": True,
            "resultFormat": "table" if self.alias is None else "time_series",
        }
        if self.alias is not None:
            payload["alias"] = self.alias
        return payload


class Target(Builder[Dataquery]):
    """A query in the form that a panel's builder takes."""

    def __init__(self, query: Influx) -> None:
        self._query = query

    def build(self) -> Influx:
        """The query itself."""
        return self._query


def targets(*queries: tuple[str, str | None]) -> list[Builder[Dataquery]]:
    """Builders of (query, alias) pairs, named A, B, C."""
    return [
        Target(Influx(text, chr(ord("A") + n), alias)) for n, (text, alias) in enumerate(queries)
    ]


def words(known: Words) -> list[models.ValueMapping]:
    """Value mappings of a panel: numbers shown as words, with the colour of each."""
    options = {
        str(value): models.ValueMappingResult(text=text, color=color, index=index)
        for index, (value, (text, color)) in enumerate(known.items())
    }
    return [models.ValueMap(options=options)]


def levels(*steps: tuple[float | None, str]) -> dashboards.ThresholdsConfig:
    """Thresholds: a colour from each value up; None is the lowest."""
    return dashboards.ThresholdsConfig().steps(
        [models.Threshold(value=value, color=color) for value, color in steps]
    )


def by_name(panel: table.Panel, column: str, **properties: object) -> table.Panel:
    """Override properties of one column of a table; returns the panel."""
    return panel.override_by_name(
        column, [models.DynamicConfigValue(id_val=k, value=v) for k, v in properties.items()]
    )


def graph(title: str, unit: str, *queries: tuple[str, str], about: str = "") -> timeseries.Panel:
    """Lines over time, half the page wide.

    Queries are (text, legend). Limits are dashed amber; baselines, setpoints and
    limits of the control are dashed grey.
    """
    panel = (
        timeseries.Panel()
        .title(title)
        .description(about)
        .datasource(SOURCE)
        .targets(targets(*queries))
        .unit(unit)
        .span(12)
        .height(8)
        .line_width(1)
        .fill_opacity(0)
        .show_points(common.VisibilityMode.AUTO)
        .span_nulls(True)
        .tooltip(common_builders.VizTooltipOptions().mode(common.TooltipDisplayMode.MULTI))
        .legend(
            common_builders.VizLegendOptions()
            .display_mode(common.LegendDisplayMode.LIST)
            .placement(common.LegendPlacement.BOTTOM)
            .show_legend(True)
        )
    )
    _color(panel, "/limit$/", AMBER, dash=[6, 6])
    _color(panel, "/own|baseline|setpoint|control/", GREY, dash=[2, 4])
    return panel


def _color(panel: timeseries.Panel, pattern: str, color: str, dash: list[float]) -> None:
    properties: dict[str, object] = {
        "color": {"mode": "fixed", "fixedColor": color},
        "custom.lineStyle": {"fill": "dash", "dash": dash},
        "custom.showPoints": "never",
    }
    panel.override_by_regexp(
        pattern, [models.DynamicConfigValue(id_val=k, value=v) for k, v in properties.items()]
    )


def logarithmic(panel: timeseries.Panel) -> timeseries.Panel:
    """A symmetric logarithmic axis, linear below 0.1.

    For what spans decades, as 0.1 ppm and a rush of air; zero and below stay visible.
    """
    return panel.scale_distribution(
        common_builders.ScaleDistributionConfig()
        .type(common.ScaleDistribution.SYMLOG)
        .log(10)
        .linear_threshold(0.1)
    )


def bars(title: str, unit: str, *queries: tuple[str, str], about: str = "") -> timeseries.Panel:
    """Counts for each interval of time, stacked."""
    return (
        graph(title, unit, *queries, about=about)
        .draw_style(common.GraphDrawStyle.BARS)
        .fill_opacity(70)
        .stacking(common_builders.StackingConfig().mode(common.StackingMode.NORMAL))
    )


def timeline(
    title: str, known: Words, *queries: tuple[str, str], about: str = ""
) -> statetimeline.Panel:
    """States over time, one line each."""
    return (
        statetimeline.Panel()
        .title(title)
        .description(about)
        .datasource(SOURCE)
        .targets(targets(*queries))
        .mappings(words(known))
        .span(12)
        .height(8)
        .merge_values(True)
        .show_value(common.VisibilityMode.NEVER)
        .line_width(0)
        .fill_opacity(80)
        .legend(common_builders.VizLegendOptions().show_legend(False))
    )


def rows(title: str, *queries: str, about: str = "", empty: str = "nothing") -> table.Panel:
    """A table of what the queries give, as wide as the page; ``empty`` stands in for no rows."""
    return (
        table.Panel()
        .title(title)
        .description(about)
        .datasource(SOURCE)
        .targets(targets(*((text, None) for text in queries)))
        .no_value(empty)
        .span(24)
        .height(8)
        .cell_height(common.TableCellHeight.SM)
    )


def figure(title: str, unit: str, query: tuple[str, str], about: str = "") -> stat.Panel:
    """The latest number of each series."""
    return (
        stat.Panel()
        .title(title)
        .description(about)
        .datasource(SOURCE)
        .targets(targets(query))
        .unit(unit)
        .span(6)
        .height(4)
        .graph_mode(common.BigValueGraphMode.NONE)
        .color_mode(common.BigValueColorMode.VALUE)
        .reduce_options(common_builders.ReduceDataOptions().calcs(["lastNotNull"]))
        .thresholds(levels((None, DEEP)))
    )


def variable(name: str, label: str, query: str, *, every: bool) -> dashboards.QueryVariable:
    """A choice on the page, with the values that ``query`` finds in the store.

    ``every``: several may be chosen, and all of them are at first.
    """
    chosen = (
        dashboards.QueryVariable(name)
        .label(label)
        .datasource(SOURCE)
        .query(query)
        .refresh(models.VariableRefresh.ON_TIME_RANGE_CHANGED)
        .sort(models.VariableSort.ALPHABETICAL_ASC)
        .multi(every)
        .include_all(every)
    )
    if every:
        chosen.all_value(".*").current(
            models.VariableOption(selected=True, text=["All"], value=["$__all"])
        )
    return chosen


def links(pages: Sequence[tuple[str, str]]) -> list[Builder[models.DashboardLink]]:
    """Links to other pages, (title, uid) each; they keep the time and the choices."""
    return [
        dashboards.DashboardLink(title)
        .type(models.DashboardLinkType.LINK)
        .url(f"/d/{uid}")
        .keep_time(True)
        .include_vars(True)
        for title, uid in pages
    ]
