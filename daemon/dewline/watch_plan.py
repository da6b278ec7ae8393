"""The plan of the watch: boxes, signals and effective rules, all in canonical units.

``config`` builds it from YAML; it is frozen. Canonical units are ppm, mbar, degC and s, unless a
signal names its own (``%``, ``L/d``). Times are integer milliseconds. A *place* is a box, a
service, a purifier or ``daemon``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from dewline.events import Priority
from dewline.hours import Hours

Mode = Literal[
    "circulating",
    "reduced",
    "isolated",
    "purging",
    "regenerating",
    "transferring",
    "working",
    "solvent-work",
    "opened",
    "recovering",
    "outgassing",
    "commissioning",
    "maintenance",
]
_HOUR_MS = 3_600_000
# Work that people announce: the mode it sets, and for how long at most. Common practice, no source.
PLANNED_WORK: dict[str, tuple[Mode, int]] = {
    "opened": ("opened", 24 * _HOUR_MS),
    "solvent": ("solvent-work", 8 * _HOUR_MS),
    "gloves": ("outgassing", 72 * _HOUR_MS),
    "commissioning": ("commissioning", 14 * 24 * _HOUR_MS),
    "maintenance": ("maintenance", 24 * _HOUR_MS),
}
NOTE_KINDS = (
    *("gloves", "cell", "calibration", "cylinder", "pump-oil", "filter", "trap"),
    *("opened", "solvent", "commissioning", "maintenance", "other"),
)
DAEMON = "daemon"
CLOCK_SET = f"{DAEMON}.clock-set"  # 1 once the host's clock can be believed


@dataclass(frozen=True, slots=True)
class SignalPlan:
    """One recorded signal. ``instrument`` and ``bus`` are None for derived and CSV-only ones."""

    name: str  # heron.moisture
    place: str  # heron
    role: str  # moisture
    unit: str
    instrument: str | None = None
    bus: str | None = None
    every_ms: int = 1000
    reference: Literal["absolute", "gauge"] | None = None
    formula: str | None = None  # of others, by their full names: heron.oxygen - heron.outlet_oxygen


@dataclass(frozen=True, slots=True)
class SignalLimit:
    """A limit that is the value of ``signal`` and ``plus``.

    While that signal is not good, ``otherwise`` is the limit; None: there is none then.
    """

    signal: str
    plus: float = 0.0
    otherwise: float | None = None


@dataclass(frozen=True, slots=True)
class Above:
    """True above ``limit``: a number, the full name of the signal that holds it, or one plus."""

    limit: float | str | SignalLimit


@dataclass(frozen=True, slots=True)
class Below:
    """True below ``limit``; see ``Above``."""

    limit: float | str | SignalLimit


@dataclass(frozen=True, slots=True)
class Outside:
    """True below ``low`` or above ``high``; each is as the limit of ``Above``."""

    low: float | str | SignalLimit
    high: float | str | SignalLimit


@dataclass(frozen=True, slots=True)
class Rising:
    """Slope above ``per_h`` over ``over_ms``, at two-sided ``confidence``."""

    per_h: float
    over_ms: int
    confidence: float


@dataclass(frozen=True, slots=True)
class Falling:
    """Slope below minus ``per_h``."""

    per_h: float
    over_ms: int
    confidence: float


@dataclass(frozen=True, slots=True)
class StaleAfter:
    """No usable reading for ``after_ms``."""

    after_ms: int


@dataclass(frozen=True, slots=True)
class UnchangedFor:
    """The very same value for ``for_ms``; values at or below ``ignore_below`` do not count."""

    for_ms: int
    ignore_below: float | None


@dataclass(frozen=True, slots=True)
class TrueFor:
    """A 0/1 signal has been 1 for ``for_ms``."""

    for_ms: int


@dataclass(frozen=True, slots=True)
class FalseFor:
    """A 0/1 signal has been 0 for ``for_ms``."""

    for_ms: int


@dataclass(frozen=True, slots=True)
class Reaches:
    """The outlook says ``limit`` is reached within ``within_ms``.

    ``direction``: how the value has to move for it.
    """

    limit: float
    within_ms: int
    direction: Literal["rising", "falling", "either"] = "rising"


@dataclass(frozen=True, slots=True)
class AboveOwn:
    """Above ``times`` the box's own figure: its idle baseline, or its lowest (best) level."""

    times: float
    of: Literal["idle-baseline", "best"]


@dataclass(frozen=True, slots=True)
class BelowOwn:
    """Below ``times`` the box's own figure: its idle baseline, or its highest (best) level."""

    times: float
    of: Literal["idle-baseline", "best"]


@dataclass(frozen=True, slots=True)
class Count:
    """``condition`` became true ``count`` times within ``within_ms``."""

    count: int
    within_ms: int
    condition: Above | Below | Outside


ConditionPlan = (
    Above
    | Below
    | Outside
    | Rising
    | Falling
    | StaleAfter
    | UnchangedFor
    | TrueFor
    | FalseFor
    | Reaches
    | AboveOwn
    | BelowOwn
    | Count
)


@dataclass(frozen=True, slots=True)
class Guard:
    """``only_while``: the rule counts only while another signal is on this side of a limit.

    ``between`` is above ``limit`` and below ``high``, which is None for the others.
    """

    signal: str
    side: Literal["above", "below", "between"]
    limit: float
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RulePlan:
    """One alarm: a rule on a place, with every layer applied.

    ``advice``: the next step while the alarm stands. ``when_over``: what remains to be done
    after its end. ``caution``: a danger to know of before anything is done.
    """

    alarm: str  # heron.moisture-high
    place: str
    rule: str
    signal: str
    condition: ConditionPlan
    unit: str  # of the limit, as events show it
    deadband: float | None = None  # None: 0 for levels, 20 % of the limit for slopes
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    priority: Priority = "medium"
    night: Priority | None = None
    latch: bool = False
    acknowledge: Literal["required", "auto"] = "required"
    suppress_while: tuple[tuple[Mode, int], ...] = ()  # mode, longest time in ms
    under: tuple[str, ...] = ()  # parent alarms, written and implied
    only_while: Guard | None = None
    and_while: tuple[Guard, ...] = ()  # further guards that have to hold as well
    remind_every_ms: int | None = None
    advice: str | None = None
    when_over: str | None = None
    caution: str | None = None

    @property
    def guards(self) -> tuple[Guard, ...]:
        """All guards; the rule counts only while every one of them holds."""
        return () if self.only_while is None else (self.only_while, *self.and_while)

    @property
    def of_outage(self) -> bool:
        """Whether it is about power or a bus, after whose return circulation may stand."""
        bus = self.place == DAEMON and self.rule.endswith("-lost")
        return bus or self.signal.endswith(".mains_present")

    @property
    def of_stopped_loop(self) -> bool:
        """Whether it counts only while its box does not circulate."""
        return any(g.side == "below" and g.signal.endswith(".circulating") for g in self.guards)


@dataclass(frozen=True, slots=True)
class AntechamberPlan:
    """An antechamber: a transfer needs ``cycles`` evacuations below ``evacuate_below_mbar``,
    which is absolute.
    """

    name: str
    volume_m3: float
    cycles: int
    evacuate_below_mbar: float


@dataclass(frozen=True, slots=True)
class AnalyzerPlan:
    """The sensor behind a role, for causes and for proofs that it answers.

    ``sample_point``: where its gas is taken from. ``zero_uncertainty_ppm``: standard uncertainty
    of its zero.
    """

    role: str
    kind: str
    sample_point: str
    zero_uncertainty_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PurifierPlan:
    """A purifier. Its capacities are of a fresh bed: litres of oxygen at 0 °C and 1013.25 mbar,
    kilograms of water; None where they are not known.
    """

    name: str
    beds: int = 1
    flow_m3_h: float | None = None
    oxygen_capacity_l: float | None = None
    water_capacity_kg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxPlan:
    """A glovebox. ``supply`` is the service it gets gas from; ``refill_from`` says where the gas
    comes from that refills its antechambers. ``gloves``: how many hang in
    its ports; 0 where all are covered.
    """

    name: str
    title: str = ""
    gas: Literal["nitrogen", "argon"] = "nitrogen"
    regime: Literal["positive", "negative"] = "positive"
    volume_m3: float | None = None
    purifier: str | None = None
    supply: str | None = None
    refill_from: Literal["box", "supply"] = "box"
    antechambers: tuple[AntechamberPlan, ...] = ()
    analyzers: tuple[AnalyzerPlan, ...] = ()
    gloves: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ServicePlan:
    """What several boxes share; ``kind`` is house, cylinder, liquid, cooling, vacuum, power or
    room. ``oxygen_impurity_ppm`` and ``moisture_impurity_ppm``: most that its gas usually holds.
    """

    name: str
    kind: str
    oxygen_impurity_ppm: float = 10.0
    moisture_impurity_ppm: float = 10.0


@dataclass(frozen=True, slots=True)
class Escalation:
    """From a contact to the contact ``then``, for alarms not acknowledged within ``after_ms``.

    For alarms of ``places`` from ``from_priority`` on. ``hours``: when the contact is on duty,
    ``then_hours``: when the one after them is; None: always.
    """

    contact: str
    then: str
    after_ms: int
    from_priority: Priority
    places: tuple[str, ...]
    hours: Hours | None = None
    then_hours: Hours | None = None


@dataclass(frozen=True, slots=True)
class OnCall:
    """A contact that ``places`` page first, from ``from_priority`` on, within ``hours``."""

    contact: str
    from_priority: Priority
    places: tuple[str, ...]
    hours: Hours | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchPlan:
    """Everything the watch is built from. ``signals`` and ``rules`` are keyed by full name.

    ``staffed``: when somebody is at the site; all other times are night, and None is no night.
    ``holidays``: ISO dates.
    """

    site: str
    timezone: str = "UTC"
    staffed: Hours | None = None
    holidays: tuple[str, ...] = ()
    boxes: dict[str, BoxPlan] = field(default_factory=dict)
    services: dict[str, ServicePlan] = field(default_factory=dict)
    purifiers: dict[str, PurifierPlan] = field(default_factory=dict)
    signals: dict[str, SignalPlan] = field(default_factory=dict)
    rules: dict[str, RulePlan] = field(default_factory=dict)
    escalations: tuple[Escalation, ...] = ()
    on_call: tuple[OnCall, ...] = ()
