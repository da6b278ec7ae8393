"""Causes of a trace gas too high, third part: what is inside, what measures, what is around."""

from __future__ import annotations

from dewline.watch.causes.weighed import CauseTable, Weighed

# fmt: off
INSIDE: CauseTable = {
    # Water of things inside.
    "outgassing": Weighed(-0.6, {
        "moisture-up": 1.0, "ratio-wet": 0.5,
        # New rubber or paper gives off most at once, and less every hour.
        "moisture-step": 1.5, "note-gloves": 3.5, "mode-outgassing": 3.5, "mode-recovering": 2.0,
        "both-up": -1.5, "oxygen-rush": -4.0, "pressure-lost": -3.0, "freezer-warmer": 4.5,
        "moisture-bending": 0.7, "moisture-plateau": 1.0, "moisture-convex": -0.5,
        "moisture-outlet-clean": 1.0, "nights-climb-moisture": -1.5,
        "hours-straight": -1.5,
    }, veto=("about-oxygen", "moisture-flat", "stop-explains")),
    "glove-permeation": Weighed(-1.0, {
        "moisture-up": 0.7, "room-damper": 2.0, "others-same": 1.0, "moisture-slow": 0.5,
    }, veto=("about-oxygen", "moisture-beyond-gloves", "oxygen-beyond-gloves", "moisture-flat",
             "stop-explains")),
    # The sensor itself.
    "sensor-drift": Weighed(-1.2, {
        "straight-line": 3.0, "hours-straight": 1.3, "stop-own-slope": 0.7,
        "restart-same-level": 1.0, "both-up": -1.5, "moisture-convex": -1.5,
        # A zero drifts by tenths of a ppm, far less than a spent bed lets through.
        "moisture-great": -2.0, "speed-unscaled": 2.0, "speed-as-source": -3.0,
        "nights-straight": 2.5,
    }, need=("straight-line",)),
    "sample-line": Weighed(-0.8, {
        "oxygen-up": 1.0, "oxygen-faster-than-box": 3.0, "oxygen-step": 0.5, "oxygen-plateau": 1.0,
        # A stop and a restart look the same as with a leak before the blower.
        "stop-own-slope": 3.0, "restart-same-level": 1.5, "stop-shell-slope": -4.0,
        "speed-unscaled": 2.0, "speed-as-source": -4.0, "moisture-flat": 0.5, "oxygen-slow": -2.0,
        "oxygen-impulse": -2.0, "dose-over": -5.0, "water-apart": -5.0,
    }, veto=("oxygen-flat", "door-before", "oxygen-rush")),
    "scale-slip": Weighed(-1.0, {"jump-ten": 5.0}, need=("jump-ten",)),
    "solvent": Weighed(-0.5, {
        "oxygen-doubted": 2.0, "oxygen-sunk": 4.0, "mode-solvent-work": 3.0, "note-solvent": 2.0,
        "moisture-up": 0.5,
    }, need=("solvent-about",)),
    # Around the box.
    "linked-box": Weighed(-0.5, {"linked-higher": 4.5}, need=("linked-higher",)),
    "weather-or-heat": Weighed(-0.8, {
        "moisture-up": 0.5, "box-warmer": 2.0, "others-same": 2.0, "room-damper": 1.0,
        "moisture-slow": 1.0, "oxygen-up": -1.5,
    }, veto=("moisture-flat", "moisture-great"), need=("box-warmer",)),
    "hands": Weighed(-0.5, {
        "hands": 2.5, "oxygen-slow": -1.5, "moisture-slow": -1.5,
    }, veto=("oxygen-rush", "moisture-great"), need=("hands",)),
    "purging": Weighed(-1.0, {
        "rise-in-purge": 3.5, "beyond-purge": -5.0,
    }, need=("rise-in-purge",)),
    "regenerating": Weighed(-0.5, {"regenerating": 3.0}, need=("regenerating",)),
}
