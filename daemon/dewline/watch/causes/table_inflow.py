"""Causes of a trace gas too high, first part: what comes in through holes, doors and supply."""

from __future__ import annotations

from dewline.watch.causes.weighed import CauseTable, Weighed

# fmt: off
INFLOW: CauseTable = {
    # Inward leaks: oxygen with little water; a constant source makes a plateau within minutes.
    "air-leak": Weighed(0.3, {
        "oxygen-up": 1.5, "ratio-air": 1.0, "oxygen-plateau": 1.0, "oxygen-step": 0.5,
        "oxygen-rush": 2.0, "stop-shell-slope": 3.0, "slope-beyond-own": 4.0,
        "stop-own-slope": -4.0, "speed-unscaled": -4.0, "speed-as-source": 1.0, "oxygen-slow": -2.0,
        "oxygen-faster-than-box": -1.0, "door-before": -1.5, "comb-on-fills": -1.5,
        "others-same": -2.0, "rise-in-purge": -2.0, "fill-full": -0.5,
        "dose-over": -5.0, "fill-stood-open": -2.0, "water-apart": -5.0,
        "regeneration-recent": -0.5,
    }, veto=("oxygen-flat", "pressure-lost", "linked-higher")),
    "leak-at-low-pressure": Weighed(-0.5, {
        "oxygen-up": 1.5, "pressure-below": 3.0, "below-or-dips": 1.5, "band-below": 2.0,
        "dose-over": -2.0, "water-apart": -5.0, "own-slope-in-stop": -4.0,
    }, veto=("oxygen-flat", "supply-below-valves"), need=("below-or-dips",)),
    "loop-suction-leak": Weighed(-0.3, {
        "oxygen-up": 1.5, "ratio-air": 0.7, "oxygen-plateau": 1.0, "oxygen-step": 0.5,
        "stop-own-slope": 3.0, "restart-same-level": 1.5,
        # A slower blower draws less in, so the level stays or falls with the speed.
        "speed-as-source": -3.0, "oxygen-slow": -2.0, "oxygen-faster-than-box": -1.5,
        "oxygen-rush": -2.0, "door-before": -1.5, "comb-on-fills": -1.5, "others-same": -2.0,
        "dose-over": -5.0, "water-apart": -5.0,
    }, veto=("stop-explains", "oxygen-flat", "stop-shell-slope", "pressure-lost", "linked-higher")),
    "glove-torn": Weighed(-1.0, {
        "pressure-lost": 5.0, "fill-full": 2.0, "oxygen-up": 1.0, "others-same": -3.0,
        "fill-idle": -4.0, "fill-stood-open": 4.0, "supply-runs-out": 1.5,
    }, need=("pressure-lost",)),
    # What came in through a door.
    "transfer": Weighed(-0.2, {
        "oxygen-up": 1.0, "door-before": 3.0, "chamber-dirty": 2.0, "chamber-clean": -1.5,
        "oxygen-impulse": 1.0, "oxygen-step": 0.5, "oxygen-slow": -2.0,
    }, veto=("no-door", "oxygen-flat")),
    "wet-load": Weighed(-0.2, {
        "moisture-up": 1.0, "door-before": 3.0, "ratio-wet": 1.0, "oxygen-rush": -4.0,
        "moisture-impulse": 0.5, "moisture-bending": 0.7, "moisture-convex": -1.0,
    }, veto=("about-oxygen", "no-door", "moisture-flat")),
    "antechamber-seal": Weighed(-1.5, {
        "oxygen-up": 1.0, "door-before": 2.5, "chamber-rises": 3.0, "chamber-base-poor": 2.0,
        "chamber-clean": 0.7, "oxygen-slow": -2.0,
    }, veto=("no-door", "oxygen-flat")),
    "impulse": Weighed(-0.5, {
        "oxygen-impulse": 2.5, "oxygen-step": 2.5, "oxygen-held": -3.0, "no-door": 0.7,
        "oxygen-slow": -2.0, "comb-on-fills": -1.0, "rise-in-purge": -1.0,
        "dose-over": 3.0, "dose-of-chamber": 2.0, "water-apart": -5.0,
    }, veto=("door-before", "oxygen-flat")),
    # What comes in with the gas supply.
    "supply-impure": Weighed(-0.5, {
        "oxygen-up": 1.0, "comb-on-fills": 3.5, "others-same": 2.5, "others-quiet": -0.5,
        "note-cylinder": 2.0, "beyond-purge": 6.0, "supply-low": 1.0, "oxygen-slow": -1.0,
        "door-before": -0.7,
    }, veto=("oxygen-unmoved",)),
    # Rare compared with new gloves, paper and wet loads, but nothing else brings in so much.
    "cooling-water-leak": Weighed(-1.2, {
        "moisture-up": 1.0, "oxygen-unmoved": 0.7, "moisture-step": 1.5, "moisture-plateau": 1.5,
        "moisture-great": 3.0, "moisture-slow": -2.5, "moisture-impulse": -2.0, "no-door": 0.7,
        "bed-warm": -2.0, "freezer-warmer": -2.0, "regeneration-recent": -2.0,
        "moisture-faster-than-box": -1.0, "others-same": -2.0, "rise-in-purge": -4.0,
        "hours-straight": -2.0, "dose-over": -3.0,
    }, veto=("about-oxygen", "door-before", "moisture-flat")),
}
