"""Causes of a trace gas too high, second part: the bed and the loop."""

from __future__ import annotations

from dewline.watch.causes.weighed import CauseTable, Weighed

# fmt: off
BED_AND_LOOP: CauseTable = {
    # The bed.
    "bed-spent-water": Weighed(-0.3, {
        "moisture-up": 1.0, "oxygen-flat": 1.0, "moisture-convex": 2.0, "moisture-straight": 1.0,
        "moisture-slow": 2.0, "moisture-step": -3.0, "moisture-impulse": -2.0,
        "moisture-faster-than-box": -3.0, "moisture-outlet-as-box": 3.0,
        "moisture-outlet-clean": -4.0, "nights-climb-moisture": 2.5, "bed-warm": -4.0,
        "cooling-lost": -2.0, "regeneration-recent": -3.0, "freezer-warmer": -3.0,
        "loop-slow": -2.5, "door-before": -0.7, "others-same": -2.0, "note-gloves": -2.0,
        "mode-outgassing": -2.5, "rise-in-purge": -3.0, "hours-straight": -4.0,
    }, veto=("about-oxygen", "stop-explains", "moisture-flat")),
    "bed-spent-oxygen": Weighed(-0.8, {
        "oxygen-up": 1.0, "moisture-flat": 0.3, "oxygen-straight": 1.0, "oxygen-convex": 1.0,
        "oxygen-slow": 2.0, "stop-own-slope": 1.5, "restart-same-level": -2.0, "slope-own": 1.5,
        "dose-stays": 4.0, "oxygen-rush": -2.0, "oxygen-outlet-as-box": 3.0,
        "oxygen-outlet-clean": -4.0, "oxygen-faster-than-box": -2.0, "both-up": -1.0,
        "others-same": -2.0,
    }, veto=("about-moisture", "stop-explains", "oxygen-flat", "stop-shell-slope")),
    "bed-not-reduced": Weighed(-1.0, {
        "oxygen-up": 1.0, "regeneration-dry": 4.5, "regeneration-recent": 1.5, "dose-stays": 2.0,
        "oxygen-slow": 0.7,
    }, veto=("about-moisture", "stop-explains", "oxygen-flat"), need=("regeneration-recent",)),
    "bed-poisoned": Weighed(-1.0, {
        "oxygen-up": 1.0, "note-solvent": 2.0, "solvent-before": 3.0, "dose-stays": 1.0,
        "oxygen-slow": 0.5,
    }, veto=("about-moisture", "stop-explains", "oxygen-flat"), need=("solvent-before",)),
    "bed-warm": Weighed(-0.5, {
        "moisture-up": 1.0, "bed-warm": 4.0, "cooling-lost": 2.0, "oxygen-flat": 0.5,
        "oxygen-rush": -4.0,
    }, veto=("about-oxygen", "stop-explains", "moisture-flat"), need=("bed-warm",)),
    "regen-return": Weighed(-1.0, {
        "moisture-up": 1.0, "regeneration-recent": 3.0, "bed-warm": 0.5, "regeneration-short": -1,
    }, veto=("stop-explains",), need=("regeneration-recent",)),
    # The loop.
    "circulation-stopped": Weighed(-0.5, {
        "stop-explains": 6.0, "stop-shell-slope": -5.0, "slope-beyond-own": -6.0,
        "beyond-purge": -6.0, "faster-than-sources": -6.0,
        "supply-below-valves": -1.0,
    }, need=("stop-explains",)),
    "valves-unpowered": Weighed(-0.5, {
        "supply-below-valves": 4.0, "loop-dead-flow": 3.0, "others-same": 1.0,
        "fill-stood-open": -3.0,
    }, need=("supply-below-valves",)),
    "circulation-reduced": Weighed(-0.5, {
        "loop-slow": 3.0, "scaled-by-flow": 2.5, "oxygen-rush": -3.0,
    }, veto=("stop-explains",), need=("loop-slow",)),
    "purifier-bypassed": Weighed(-1.0, {
        "both-up": 1.0, "like-stopped": 4.0, "loop-dead-flow": 3.0, "loop-steady": 0.5,
        "oxygen-step": -1.0, "oxygen-plateau": -1.0, "others-same": -3.0,
        "supply-below-valves": -5.0,
    }, veto=("stop-explains", "oxygen-flat")),
}
