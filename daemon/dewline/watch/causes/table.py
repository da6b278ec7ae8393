"""The table of causes. Argue with it: every number a practitioner may doubt stands here.

A cause of a family of alarms begins at ``prior`` and gains or loses, for every
fact, its weight times the fact's truth (0 to 1). Units are those of log odds: 1
is 2.7 to 1, 3 is 20 to 1. ``veto`` rules a cause out where such a fact holds (by
mass balance, by a proven flat sensor, by a door that was not opened); ``need``
rules it out where the fact is known and does not hold. A fact that nothing tells
of counts neither way. ``unknown`` is a cause with a prior and nothing else: it
wins where nothing stands out.

Weights are judgements (common practice, no source), set on simulated stories.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

HOLDS = 0.5  # a fact truer than this vetoes; a needed one must be truer
SET_SHARE = 0.35  # a cause with this share of the first one's odds stands in the set beside it
SET_SIZE = 3
TOLD_STAYS = 0.7  # what the name told last has over the others
HIGHEST = 0.95  # nothing is surer than this
EVIDENCE_LEAST = 0.35  # of weight times truth, to be told
EVIDENCE_COUNT = 4


@dataclass(frozen=True, slots=True)
class Weighed:
    """One row: a cause within a family."""

    prior: float
    facts: Mapping[str, float] = field(default_factory=dict)
    veto: tuple[str, ...] = ()
    need: tuple[str, ...] = ()


# Oxygen or moisture too high, rising, or above the box's own.
GAS: dict[str, Weighed] = {
    "unknown": Weighed(2.2),
    # Inward leaks: oxygen with little water; a constant source makes a plateau within minutes.
    "air-leak": Weighed(
        0.3,
        {
            "oxygen-up": 1.5,
            "ratio-air": 1.0,
            "oxygen-plateau": 1.0,
            "oxygen-step": 0.5,
            "oxygen-rush": 2.0,
            "stop-shell-slope": 3.0,
            "slope-beyond-own": 4.0,
            "stop-own-slope": -4.0,
            "oxygen-slow": -2.0,
            "oxygen-faster-than-box": -1.0,
            "door-before": -1.5,
            "comb-on-fills": -1.5,
            "others-same": -2.0,
            "purging": -1.0,
            "fill-full": -0.5,
            "regeneration-recent": -0.5,
        },
        veto=("oxygen-flat", "pressure-lost", "linked-higher"),
    ),
    "leak-at-low-pressure": Weighed(
        -0.5,
        {"oxygen-up": 1.5, "pressure-below": 3.0, "below-or-dips": 1.5, "band-below": 2.0},
        veto=("oxygen-flat", "supply-below-valves"),
        need=("below-or-dips",),
    ),
    "loop-suction-leak": Weighed(
        -0.3,
        {
            "oxygen-up": 1.5,
            "ratio-air": 0.7,
            "oxygen-plateau": 1.0,
            "oxygen-step": 0.5,
            "stop-own-slope": 3.0,
            "restart-same-level": 1.5,
            "oxygen-slow": -2.0,
            "oxygen-faster-than-box": -1.5,
            "oxygen-rush": -2.0,
            "door-before": -1.5,
            "comb-on-fills": -1.5,
            "others-same": -2.0,
        },
        veto=("stop-explains", "oxygen-flat", "stop-shell-slope", "pressure-lost", "linked-higher"),
    ),
    "glove-torn": Weighed(
        -1.0,
        {
            "pressure-lost": 5.0,
            "fill-full": 2.0,
            "oxygen-up": 1.0,
            "others-same": -3.0,
            "fill-idle": -4.0,
        },
        need=("pressure-lost",),
    ),
    # What came in through a door.
    "transfer": Weighed(
        -0.2,
        {
            "oxygen-up": 1.0,
            "door-before": 3.0,
            "chamber-dirty": 2.0,
            "chamber-clean": -1.5,
            "oxygen-impulse": 1.0,
            "oxygen-step": 0.5,
            "oxygen-slow": -2.0,
        },
        veto=("no-door", "oxygen-flat"),
    ),
    "wet-load": Weighed(
        -0.2,
        {
            "moisture-up": 1.0,
            "door-before": 3.0,
            "ratio-wet": 1.0,
            "oxygen-rush": -4.0,
            "moisture-impulse": 0.5,
            "moisture-bending": 0.7,
            "moisture-convex": -1.0,
        },
        veto=("about-oxygen", "no-door", "moisture-flat"),
    ),
    "antechamber-seal": Weighed(
        -1.5,
        {
            "oxygen-up": 1.0,
            "door-before": 2.5,
            "chamber-rises": 3.0,
            "chamber-base-poor": 2.0,
            "chamber-clean": 0.7,
            "oxygen-slow": -2.0,
        },
        veto=("no-door", "oxygen-flat"),
    ),
    "impulse": Weighed(
        -0.5,
        {"oxygen-impulse": 2.5, "no-door": 0.7, "oxygen-slow": -2.0, "comb-on-fills": -1.0},
        veto=("door-before", "oxygen-flat"),
    ),
    # The bed.
    "bed-spent-water": Weighed(
        -0.3,
        {
            "moisture-up": 1.0,
            "oxygen-flat": 1.0,
            "moisture-convex": 2.0,
            "moisture-straight": 1.0,
            "moisture-slow": 2.0,
            "moisture-step": -3.0,
            "moisture-impulse": -2.0,
            "moisture-faster-than-box": -3.0,
            "moisture-outlet-as-box": 3.0,
            "moisture-outlet-clean": -4.0,
            "nights-climb-moisture": 2.5,
            "bed-warm": -4.0,
            "cooling-lost": -2.0,
            "regeneration-recent": -3.0,
            "freezer-warmer": -3.0,
            "loop-slow": -2.5,
            "door-before": -0.7,
            "others-same": -2.0,
            "note-gloves": -2.0,
            "mode-outgassing": -2.5,
        },
        veto=("about-oxygen", "stop-explains", "moisture-flat"),
    ),
    "bed-spent-oxygen": Weighed(
        -0.8,
        {
            "oxygen-up": 1.0,
            "moisture-flat": 0.3,
            "oxygen-straight": 1.0,
            "oxygen-convex": 1.0,
            "oxygen-slow": 2.0,
            "stop-own-slope": 1.5,
            "restart-same-level": -2.0,
            "slope-own": 1.5,
            "dose-stays": 3.0,
            "oxygen-outlet-as-box": 3.0,
            "oxygen-outlet-clean": -4.0,
            "oxygen-faster-than-box": -2.0,
            "both-up": -1.0,
            "others-same": -2.0,
        },
        veto=("about-moisture", "stop-explains", "oxygen-flat", "stop-shell-slope", "oxygen-rush"),
    ),
    "bed-not-reduced": Weighed(
        -1.0,
        {
            "oxygen-up": 1.0,
            "regeneration-dry": 4.5,
            "regeneration-recent": 1.5,
            "dose-stays": 2.0,
            "oxygen-slow": 0.7,
        },
        veto=("about-moisture", "stop-explains", "oxygen-flat"),
        need=("regeneration-recent",),
    ),
    "bed-poisoned": Weighed(
        -1.0,
        {
            "oxygen-up": 1.0,
            "note-solvent": 2.0,
            "solvent-before": 3.0,
            "dose-stays": 1.0,
            "oxygen-slow": 0.5,
        },
        veto=("about-moisture", "stop-explains", "oxygen-flat"),
        need=("solvent-before",),
    ),
    "bed-warm": Weighed(
        -0.5,
        {"moisture-up": 1.0, "bed-warm": 4.0, "cooling-lost": 2.0, "oxygen-flat": 0.5},
        veto=("about-oxygen", "stop-explains", "moisture-flat"),
        need=("bed-warm",),
    ),
    "regen-return": Weighed(
        -1.0,
        {"moisture-up": 1.0, "regeneration-recent": 3.0, "bed-warm": 0.5, "regeneration-short": -1},
        veto=("stop-explains",),
        need=("regeneration-recent",),
    ),
    # The loop.
    "circulation-stopped": Weighed(
        -0.5,
        {
            "stop-explains": 6.0,
            "stop-shell-slope": -5.0,
            "slope-beyond-own": -6.0,
            "supply-below-valves": -1.0,
        },
        need=("stop-explains",),
    ),
    "valves-unpowered": Weighed(
        -0.5,
        {"supply-below-valves": 4.0, "loop-dead-flow": 3.0, "others-same": 1.0},
        need=("supply-below-valves",),
    ),
    "circulation-reduced": Weighed(
        -0.5,
        {"loop-slow": 3.0, "scaled-by-flow": 2.5, "oxygen-rush": -3.0},
        veto=("stop-explains",),
        need=("loop-slow",),
    ),
    "purifier-bypassed": Weighed(
        -1.0,
        {
            "both-up": 1.0,
            "like-stopped": 4.0,
            "loop-dead-flow": 3.0,
            "loop-steady": 0.5,
            "oxygen-step": -1.0,
            "oxygen-plateau": -1.0,
            "others-same": -3.0,
            "supply-below-valves": -5.0,
        },
        veto=("stop-explains", "oxygen-flat"),
    ),
    # What is fed in.
    "supply-impure": Weighed(
        -0.5,
        {
            "oxygen-up": 1.0,
            "comb-on-fills": 3.5,
            "others-same": 2.5,
            "others-quiet": -0.5,
            "note-cylinder": 2.0,
            "purging": 1.0,
            "supply-low": 1.0,
            "oxygen-slow": -1.0,
            "door-before": -0.7,
        },
        veto=("oxygen-flat",),
    ),
    "cooling-water-leak": Weighed(
        -0.8,
        {
            "moisture-up": 1.0,
            "oxygen-flat": 0.7,
            "moisture-step": 2.0,
            "moisture-plateau": 1.5,
            "moisture-great": 2.0,
            "moisture-slow": -2.5,
            "moisture-impulse": -2.0,
            "no-door": 0.7,
            "bed-warm": -2.0,
            "freezer-warmer": -2.0,
            "regeneration-recent": -2.0,
            "moisture-faster-than-box": -1.0,
            "others-same": -2.0,
        },
        veto=("about-oxygen", "door-before", "moisture-flat"),
    ),
    # Water of things inside.
    "outgassing": Weighed(
        -1.0,
        {
            "moisture-up": 1.0,
            "ratio-wet": 0.5,
            "note-gloves": 3.5,
            "mode-outgassing": 3.5,
            "mode-recovering": 2.0,
            "both-up": -1.5,
            "oxygen-rush": -4.0,
            "pressure-lost": -3.0,
            "freezer-warmer": 4.5,
            "moisture-bending": 0.7,
            "moisture-plateau": 0.5,
            "moisture-convex": -0.5,
            "moisture-outlet-clean": 1.0,
            "nights-climb-moisture": -1.5,
        },
        veto=("about-oxygen", "moisture-flat", "stop-explains"),
    ),
    "glove-permeation": Weighed(
        -1.0,
        {"moisture-up": 0.7, "room-damper": 2.0, "others-same": 1.0, "moisture-slow": 0.5},
        veto=(
            "about-oxygen",
            "moisture-beyond-gloves",
            "oxygen-beyond-gloves",
            "moisture-flat",
            "stop-explains",
        ),
    ),
    # The sensor itself.
    "sensor-drift": Weighed(
        -1.2,
        {
            "days-straight": 3.0,
            "stop-own-slope": 0.7,
            "restart-same-level": 1.0,
            "both-up": -1.5,
            "moisture-convex": -1.5,
            "speed-unscaled": 2.0,
            "nights-straight": 2.5,
        },
        need=("days-straight",),
    ),
    "sample-line": Weighed(
        -0.8,
        {
            "oxygen-up": 1.0,
            "oxygen-faster-than-box": 3.0,
            "oxygen-step": 0.5,
            "stop-own-slope": 1.5,
            "restart-same-level": 1.5,
            "stop-shell-slope": -4.0,
            "moisture-flat": 0.5,
            "oxygen-slow": -2.0,
            "oxygen-impulse": -2.0,
        },
        veto=("oxygen-flat", "door-before", "oxygen-rush"),
    ),
    "scale-slip": Weighed(-1.0, {"jump-ten": 5.0}, need=("jump-ten",)),
    "solvent": Weighed(
        -0.5,
        {
            "oxygen-doubted": 2.0,
            "oxygen-sunk": 4.0,
            "mode-solvent-work": 3.0,
            "note-solvent": 2.0,
            "moisture-up": 0.5,
        },
        need=("solvent-about",),
    ),
    # Around the box.
    "linked-box": Weighed(-0.5, {"linked-higher": 4.5}, need=("linked-higher",)),
    "weather-or-heat": Weighed(
        -0.8,
        {
            "moisture-up": 0.5,
            "box-warmer": 2.0,
            "others-same": 2.0,
            "room-damper": 1.0,
            "moisture-slow": 1.0,
            "oxygen-up": -1.5,
        },
        veto=("moisture-flat", "moisture-great"),
        need=("box-warmer",),
    ),
    "hands": Weighed(
        -0.5,
        {"hands": 2.5, "oxygen-slow": -1.5, "moisture-slow": -1.5},
        veto=("oxygen-rush", "moisture-great"),
        need=("hands",),
    ),
    "purging": Weighed(-1.0, {"purging": 3.0}, need=("purging",)),
    "regenerating": Weighed(-0.5, {"regenerating": 3.0}, need=("regenerating",)),
}

# Pressure too low, too high, dipping; fill open too long.
PRESSURE: dict[str, Weighed] = {
    "unknown": Weighed(2.2),
    "glove-torn": Weighed(
        0.0,
        {
            "pressure-lost": 3.0,
            "fill-full": 2.0,
            "fill-idle": -5.0,
            "oxygen-up": 2.0,
            "supply-low": -3.0,
            "box-pays-for-vacuum": -3.0,
            "refilling": -3.0,
        },
        veto=("pressure-high",),
    ),
    "supply-low": Weighed(0.0, {"supply-low": 4.0, "others-same": 1.0}, need=("supply-low",)),
    "valves-unpowered": Weighed(
        0.0, {"supply-below-valves": 5.0, "others-same": 1.0}, need=("supply-below-valves",)
    ),
    "gas-loss": Weighed(
        0.3,
        {
            "fill-more": 2.5,
            "band-below": -1.0,
            "fill-full": 0.5,
            "oxygen-flat": 0.5,
            "pressure-lost": -1.0,
        },
        veto=("pressure-high", "box-pays-for-vacuum"),
    ),
    "antechamber-seal": Weighed(
        0.0, {"box-pays-for-vacuum": 3.0, "refilling": 1.0}, need=("box-pays-for-vacuum",)
    ),
    "leak-at-low-pressure": Weighed(
        0.0,
        {"pressure-below": 1.0, "oxygen-up": 3.0, "band-below": 2.0},
        veto=("oxygen-flat",),
        need=("below-or-dips",),
    ),
    "weather-or-heat": Weighed(
        0.3, {"box-warmer": 2.0, "box-cooler": 2.0, "others-same": 1.0, "pressure-lost": -2.0}
    ),
    "hands": Weighed(0.3, {"hands": 2.5, "pressure-lost": -1.0}, need=("hands",)),
    "purging": Weighed(0.0, {"purging": 3.0}, need=("purging",)),
}

LOOP: dict[str, Weighed] = {
    "unknown": Weighed(1.0),
    "circulation-stopped": Weighed(
        3.0, {"resumed": -0.5}, veto=("loop-slow-only",), need=("loop-stopped",)
    ),
    "power": Weighed(
        0.0,
        {"mains-lost": 5.0, "mains-lately": 2.0, "silent-many": 3.0, "resumed": 0.5},
        need=("power-sign",),
    ),
    "regenerating": Weighed(1.0, {"regenerating": 3.0}, need=("regenerating",)),
    "circulation-reduced": Weighed(
        1.0, {"loop-slow": 3.0}, veto=("loop-stopped",), need=("loop-slow",)
    ),
    "valves-unpowered": Weighed(0.0, {"supply-below-valves": 6.0}, need=("supply-below-valves",)),
    "supply-low": Weighed(0.0, {"supply-below-valves": 3.0}, need=("supply-below-valves",)),
}
SILENCE: dict[str, Weighed] = {
    "unknown": Weighed(0.0),
    "instrument-silent": Weighed(2.5, {"sensor-frozen": -4.0}),
    "power": Weighed(
        0.0,
        {"mains-lost": 5.0, "mains-lately": 4.0, "silent-many": 2.5, "resumed": 0.5},
        need=("power-sign",),
    ),
    "sensor-frozen": Weighed(0.0, {"sensor-frozen": 6.0}, need=("sensor-frozen",)),
}
FROZEN: dict[str, Weighed] = {"unknown": Weighed(0.0), "sensor-frozen": Weighed(3.5)}
SUPPLY: dict[str, Weighed] = {
    "unknown": Weighed(0.5),
    "supply-low": Weighed(3.0, {"supply-below-valves": -1.0}),
    "valves-unpowered": Weighed(1.0, {"supply-below-valves": 3.0}, need=("supply-below-valves",)),
}
HEAT: dict[str, Weighed] = {
    "unknown": Weighed(1.0),
    "bed-warm": Weighed(1.5, {"bed-warm": 2.0, "cooling-lost": 1.0}, veto=("bed-cool",)),
    "regen-return": Weighed(0.0, {"regeneration-recent": 2.0}, need=("regeneration-recent",)),
    "weather-or-heat": Weighed(0.5, {"box-warmer": 2.0, "others-same": 1.0}, need=("box-warmer",)),
}
ROOM_HEAT: dict[str, Weighed] = {
    "unknown": Weighed(1.0),
    "weather-or-heat": Weighed(2.0, {"box-warmer": 1.5, "others-same": 1.5}),
}
CHAMBER: dict[str, Weighed] = {
    "unknown": Weighed(1.0),
    "transfer": Weighed(1.5, {"chamber-dirty": 2.0, "door-before": 1.0}),
    "antechamber-seal": Weighed(0.0, {"chamber-base-poor": 2.5, "box-pays-for-vacuum": 2.5}),
}
DOUBT: dict[str, Weighed] = {
    "unknown": Weighed(0.5),
    "solvent": Weighed(0.5, {"solvent-about": 4.0}, need=("solvent-about",)),
    "sensor-unresponsive": Weighed(1.0, {"dose-missed": 3.0, "solvent-about": -2.0}),
    "scale-slip": Weighed(0.0, {"jump-ten": 5.0}, need=("jump-ten",)),
    "sensor-drift": Weighed(0.5, {"below-zero": 4.0}, need=("below-zero",)),
}
REGENERATION: dict[str, Weighed] = {
    "unknown": Weighed(1.0),
    "regenerating": Weighed(2.5, {"regenerating": 1.0}),
    "bed-not-reduced": Weighed(0.0, {"regeneration-dry": 4.5}, need=("regeneration-dry",)),
}
POWER: dict[str, Weighed] = {"unknown": Weighed(0.0), "power": Weighed(3.5)}
GAS_USE: dict[str, Weighed] = {"unknown": Weighed(0.5), "gas-loss": Weighed(2.5)}
OTHER: dict[str, Weighed] = {}  # nothing is judged

FAMILIES: dict[str, dict[str, Weighed]] = {
    "gas": GAS,
    "pressure": PRESSURE,
    "loop": LOOP,
    "silence": SILENCE,
    "frozen": FROZEN,
    "supply": SUPPLY,
    "heat": HEAT,
    "room-heat": ROOM_HEAT,
    "chamber": CHAMBER,
    "doubt": DOUBT,
    "regeneration": REGENERATION,
    "power": POWER,
    "gas-use": GAS_USE,
    "other": OTHER,
}

# The one test that would decide, for the first row of which two stand in the set.
TELL_APART: tuple[tuple[frozenset[str], str], ...] = (
    (
        frozenset({"air-leak", "loop-suction-leak", "bed-spent-oxygen"}),
        "Stop the loop 10 min: a climb of tens of ppm/h is the shell, 1-2 ppm/h loop or bed; "
        "back level 10 min after the restart is the loop, still climbing is the bed.",
    ),
    (
        frozenset({"sample-line", "sensor-drift", "loop-suction-leak", "air-leak"}),
        "Change the blower speed: a true source goes as one over the flow, a sample line or a "
        "drifting zero stays.",
    ),
    (
        frozenset(
            {"bed-spent-water", "bed-warm", "cooling-water-leak", "outgassing", "regen-return"}
        ),
        "Compare the bed's temperature with its usual one, let it cool and wait; "
        "look at the run length and at the water side.",
    ),
    (
        frozenset({"bed-spent-oxygen", "bed-not-reduced", "bed-poisoned"}),
        "One good regeneration with counted hydrogen, then a known dose.",
    ),
    (
        frozenset({"bed-spent-water", "sensor-drift", "glove-permeation", "weather-or-heat"}),
        "Change the blower speed: a true source goes as one over the flow, a drift stays.",
    ),
    (
        frozenset({"solvent", "sensor-unresponsive", "sensor-frozen"}),
        "Inject 60 mL of room air: a live oxygen sensor shows it; compare with a second principle.",
    ),
    (
        frozenset({"outgassing", "wet-load", "glove-permeation", "weather-or-heat"}),
        "Only notes and how it decays tell: look at what came in and when the gloves were changed.",
    ),
    (
        frozenset({"supply-impure", "air-leak", "impulse"}),
        "Analyse the gas at the point of use, or watch whether oxygen moves with the next fills.",
    ),
    (
        frozenset({"transfer", "wet-load", "air-leak", "impulse"}),
        "Look at the last transfer: its cycles, its depth, what was brought in.",
    ),
    (
        frozenset({"glove-torn", "gas-loss", "leak-at-low-pressure", "antechamber-seal"}),
        "Listen for gas, close the chambers, tie the gloves one at a time and watch the pressure.",
    ),
    (
        frozenset({"instrument-silent", "power"}),
        "Look whether lights and panel of the box are on.",
    ),
    (
        frozenset({"circulation-stopped", "power", "regenerating", "purifier-bypassed"}),
        "Read the panel: blower, valves of the bed, program.",
    ),
    (
        frozenset({"supply-low", "valves-unpowered", "weather-or-heat"}),
        "Read the supply's own gauge and look whether the other boxes sag too.",
    ),
)
