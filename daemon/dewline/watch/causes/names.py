"""The names of causes, as events bear them, and of the facts that speak for or against them."""

from __future__ import annotations

from typing import Literal, get_args

CauseName = Literal[
    "air-leak", "antechamber-seal", "bed-not-reduced", "bed-poisoned", "bed-spent-oxygen",
    "bed-spent-water", "bed-warm", "circulation-reduced", "circulation-stopped",
    "cooling-water-leak", "gas-loss", "glove-permeation", "glove-torn", "hands", "impulse",
    "instrument-silent", "leak-at-low-pressure", "linked-box", "loop-suction-leak", "outgassing",
    "power", "purging", "purifier-bypassed", "regen-return", "regenerating", "sample-line",
    "scale-slip", "sensor-drift", "sensor-frozen", "sensor-unresponsive", "solvent",
    "supply-impure", "supply-low", "transfer", "unknown", "valves-unpowered", "weather-or-heat",
    "wet-load",
]  # fmt: skip
UNKNOWN: CauseName = "unknown"

FactName = Literal[
    # The trace gases: which the alarm is about, level and form of its rise, what it rules out.
    "about-oxygen", "oxygen-up", "oxygen-flat", "oxygen-impulse", "oxygen-step", "oxygen-plateau",
    "oxygen-straight", "oxygen-convex", "oxygen-bending", "oxygen-held", "oxygen-slow",
    "oxygen-faster-than-box", "oxygen-beyond-gloves", "oxygen-outlet-as-box",
    "oxygen-outlet-clean", "oxygen-doubted", "oxygen-rush", "oxygen-sunk", "nights-climb-oxygen",
    "about-moisture", "moisture-up", "moisture-flat", "moisture-impulse", "moisture-step",
    "moisture-plateau", "moisture-straight", "moisture-convex", "moisture-bending",
    "moisture-held", "moisture-slow", "moisture-faster-than-box", "moisture-beyond-gloves",
    "moisture-outlet-as-box", "moisture-outlet-clean", "moisture-doubted", "moisture-great",
    "nights-climb-moisture", "nights-straight", "days-straight", "hours-straight",
    "straight-line", "both-up",
    "ratio-air", "ratio-wet", "water-apart", "slope-own", "dose-stays", "like-stopped",
    "below-zero", "jump-ten", "dose-missed",
    # The loop and the bed.
    "loop-stopped", "loop-steady", "loop-slow", "loop-dead-flow", "scaled-by-flow",
    "stop-explains", "slope-beyond-own", "own-slope-in-stop", "faster-than-sources",
    "stop-own-slope", "stop-shell-slope",
    "restart-same-level", "speed-as-source", "speed-unscaled", "bed-warm", "bed-cool",
    "cooling-lost", "regenerating", "regeneration-recent", "regeneration-dry",
    "regeneration-short",
    # Pressure, fill and supply.
    "pressure-below", "pressure-lost", "pressure-dips", "pressure-high", "band-below",
    "below-or-dips", "fill-idle", "fill-full", "fill-more", "fill-stood-open", "supply-low",
    "supply-below-valves", "supply-runs-out", "night-loss", "comb-on-fills", "purging",
    "rise-in-purge", "beyond-purge", "oxygen-unmoved",
    # Doors and chambers.
    "door-before", "no-door", "chamber-rises", "chamber-dirty", "chamber-clean",
    "chamber-base-poor", "box-pays-for-vacuum", "refilling", "dose-over", "dose-of-chamber",
    # The room, people and other boxes.
    "box-warmer", "box-cooler", "room-damper", "hands", "freezer-warmer", "note-gloves",
    "note-cylinder", "note-solvent", "mode-recovering", "mode-outgassing", "mode-solvent-work",
    "solvent-about", "solvent-before", "solvent-known", "others-same", "others-quiet",
    "linked-higher",
    # Instruments and power.
    "sensor-frozen", "silent-many", "resumed", "mains-lost", "mains-lately", "power-sign",
]  # fmt: skip

_FACTS: dict[str, FactName] = {name: name for name in get_args(FactName)}


def fact_name(name: str) -> FactName:
    """The name of a fact that is put together from parts, such as a gas. KeyError if unknown."""
    return _FACTS[name]
