"""Causes of alarms that are not about a trace gas: pressure, loop, silence, supply, heat, ..."""

from __future__ import annotations

from dewline.watch.causes.family import Family
from dewline.watch.causes.weighed import CauseTable, Weighed

# fmt: off
PLANT: dict[Family, CauseTable] = {
    # Pressure too low, too high, dipping; fill open too long.
    "pressure": {
        "unknown": Weighed(2.2),
        "glove-torn": Weighed(0.0, {
            "pressure-lost": 3.0, "fill-full": 2.0, "fill-idle": -5.0, "oxygen-up": 2.0,
            "fill-stood-open": 4.0, "supply-runs-out": 0.7, "supply-low": -3.0,
            "box-pays-for-vacuum": -3.0, "refilling": -3.0,
        }, veto=("pressure-high",)),
        "supply-low": Weighed(0.0, {
            "supply-low": 4.0, "others-same": 1.0, "fill-stood-open": -3.0,
        }, need=("supply-low",)),
        "valves-unpowered": Weighed(0.0, {
            "supply-below-valves": 5.0, "others-same": 1.0, "fill-stood-open": -3.0,
        }, need=("supply-below-valves",)),
        "gas-loss": Weighed(0.3, {
            "fill-more": 2.5, "band-below": -1.0, "fill-full": 0.5, "oxygen-flat": 0.5,
            "pressure-lost": -1.0, "hands": -2.0,
        }, veto=("pressure-high", "box-pays-for-vacuum")),
        "antechamber-seal": Weighed(0.0, {
            "box-pays-for-vacuum": 3.0, "refilling": 1.0,
        }, need=("box-pays-for-vacuum",)),
        "leak-at-low-pressure": Weighed(0.0, {
            "pressure-below": 1.0, "oxygen-up": 3.0, "band-below": 2.0,
        }, veto=("oxygen-flat",), need=("below-or-dips",)),
        "weather-or-heat": Weighed(0.3, {
            "box-warmer": 2.0, "box-cooler": 2.0, "others-same": 1.0, "pressure-lost": -2.0,
        }),
        "hands": Weighed(0.3, {"hands": 2.5, "pressure-lost": -1.0}, need=("hands",)),
        "purging": Weighed(0.0, {"purging": 3.0}, need=("purging",)),
    },
    "loop": {
        "unknown": Weighed(1.0),
        "circulation-stopped": Weighed(3.0, {"resumed": -0.5}, need=("loop-stopped",)),
        "power": Weighed(0.0, {
            "mains-lost": 5.0, "mains-lately": 2.0, "silent-many": 3.0, "resumed": 0.5,
        }, need=("power-sign",)),
        "regenerating": Weighed(1.0, {"regenerating": 3.0}, need=("regenerating",)),
        "circulation-reduced": Weighed(1.0, {
            "loop-slow": 3.0,
        }, veto=("loop-stopped",), need=("loop-slow",)),
        "valves-unpowered": Weighed(0.0, {
            "supply-below-valves": 6.0, "fill-stood-open": -2.0,
        }, need=("supply-below-valves",)),
        "supply-low": Weighed(0.0, {"supply-below-valves": 3.0}, need=("supply-below-valves",)),
    },
    "silence": {
        "unknown": Weighed(0.0),
        "instrument-silent": Weighed(2.5, {"sensor-frozen": -4.0}),
        "power": Weighed(0.0, {
            "mains-lost": 5.0, "mains-lately": 4.0, "silent-many": 2.5, "resumed": 0.5,
        }, need=("power-sign",)),
        "sensor-frozen": Weighed(0.0, {"sensor-frozen": 6.0}, need=("sensor-frozen",)),
    },
    "frozen": {
        "unknown": Weighed(0.0),
        "sensor-frozen": Weighed(3.5),
    },
    "supply": {
        "unknown": Weighed(0.5),
        "supply-low": Weighed(3.0, {"supply-below-valves": -1.0}),
        "valves-unpowered": Weighed(1.0, {
            "supply-below-valves": 3.0,
        }, need=("supply-below-valves",)),
        "glove-torn": Weighed(0.0, {
            "fill-stood-open": 3.0, "pressure-lost": 3.0,
        }, need=("pressure-lost", "fill-stood-open")),
    },
    "heat": {
        "unknown": Weighed(1.0),
        "bed-warm": Weighed(1.5, {
            "bed-warm": 2.0, "cooling-lost": 1.0, "oxygen-rush": -2.0,
        }, veto=("bed-cool",)),
        # Oxygen burns the catalyst: 420 kJ for 30 L, some 100 K on 5 kg of bed.
        "air-leak": Weighed(0.5, {"oxygen-rush": 4.0}, need=("oxygen-rush",)),
        "regen-return": Weighed(0.0, {"regeneration-recent": 2.0}, need=("regeneration-recent",)),
        "weather-or-heat": Weighed(0.5, {
            "box-warmer": 2.0, "others-same": 1.0,
        }, need=("box-warmer",)),
    },
    "room-heat": {
        "unknown": Weighed(1.0),
        "weather-or-heat": Weighed(2.0, {"box-warmer": 1.5, "others-same": 1.5}),
    },
    "chamber": {
        "unknown": Weighed(1.0),
        "transfer": Weighed(1.5, {"chamber-dirty": 2.0, "door-before": 1.0}),
        "antechamber-seal": Weighed(0.0, {"chamber-base-poor": 2.5, "box-pays-for-vacuum": 2.5}),
    },
    "doubt": {
        "unknown": Weighed(0.5),
        # A dose that solvent has hidden is no sign of a dead sensor, even after the solvent.
        "solvent": Weighed(0.5, {
            "solvent-about": 2.0, "solvent-known": 2.0,
        }, need=("solvent-known",)),
        # A sensor that has not been proven for days, but has missed no dose, is only not proven.
        "sensor-unresponsive": Weighed(0.0, {
            "dose-missed": 4.0, "solvent-about": -1.0, "solvent-known": -1.5,
        }),
        "scale-slip": Weighed(0.0, {"jump-ten": 5.0}, need=("jump-ten",)),
        "sensor-drift": Weighed(0.5, {"below-zero": 4.0}, need=("below-zero",)),
    },
    "regeneration": {
        "unknown": Weighed(1.0),
        "regenerating": Weighed(2.5, {"regenerating": 1.0}),
        "bed-not-reduced": Weighed(0.0, {"regeneration-dry": 4.5}, need=("regeneration-dry",)),
    },
    "power": {
        "unknown": Weighed(0.0),
        "power": Weighed(3.5),
    },
    "gas-use": {
        "unknown": Weighed(0.5),
        "gas-loss": Weighed(2.0, {"night-loss": 0.7}),
    },
    "other": {},  # nothing is judged
}
