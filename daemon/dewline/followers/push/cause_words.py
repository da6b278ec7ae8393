"""What a cause is called on a page, in the words of a person instead of its name in the table."""

from __future__ import annotations

from collections.abc import Mapping

from dewline.events import EventDocument

PROBABLY = 0.75  # from this confidence on

WORDS: Mapping[str, str] = {
    "air-leak": "an air leak",
    "leak-at-low-pressure": "a leak at low pressure",
    "loop-suction-leak": "a leak before the blower",
    "glove-torn": "a torn glove",
    "gas-loss": "gas escaping",
    "glove-permeation": "air through the gloves",
    "antechamber-seal": "an antechamber seal",
    "transfer": "the transfer",
    "wet-load": "a wet load",
    "impulse": "a gulp of air, now over",
    "outgassing": "water from the walls",
    "bed-spent-water": "the bed is full of water",
    "bed-spent-oxygen": "the bed is spent for oxygen",
    "bed-warm": "the bed is too warm",
    "bed-not-reduced": "a bed regenerated without hydrogen",
    "bed-poisoned": "the bed is poisoned",
    "regen-return": "a bed fresh from regeneration",
    "purifier-bypassed": "the gas goes round the bed",
    "circulation-stopped": "no circulation",
    "circulation-reduced": "slow circulation",
    "supply-impure": "impure gas from the supply",
    "supply-low": "low gas supply",
    "valves-unpowered": "valves shut for want of gas",
    "cooling-water-leak": "cooling water in the loop",
    "solvent": "solvent vapour",
    "sensor-frozen": "a sensor that stands still",
    "sensor-drift": "a drifting sensor",
    "sensor-unresponsive": "a sensor that does not answer",
    "sample-line": "room air in the sample line",
    "scale-slip": "a slipped analyzer scale",
    "instrument-silent": "a silent instrument",
    "power": "a power cut",
    "linked-box": "a box on the same purifier",
    "weather-or-heat": "weather or heat",
    "hands": "hands at work",
    "purging": "the purge",
    "regenerating": "the regeneration",
}
# Alarms whose name already says the cause: it is not repeated.
SAID: Mapping[str, str] = {
    "mains-lost": "power",
    "dirty-transfer": "transfer",
    "supply-low": "supply-low",
    "supply-very-low": "supply-low",
    "circulation-stopped": "circulation-stopped",
    "-soon-stopped": "circulation-stopped",
    "circulation-weak": "circulation-reduced",
    "bed-warm": "bed-warm",
    "hot-bed-in-loop": "bed-warm",
}


def probable(document: EventDocument) -> str:
    """``Probably a torn glove or an air leak.``; empty while the cause is not known."""
    cause = document["cause"]
    rule = document["alarm"].partition(".")[2]
    said = "instrument-silent" if rule.endswith(("-lost", "-silent", "-stale")) else None
    said = next((cause for name, cause in SAID.items() if name in rule), said)
    names = [n for n in (cause["name"], *cause["or"]) if n not in ("unknown", said)]
    if not names:
        return ""
    how = "Probably" if cause["confidence"] >= PROBABLY else "Perhaps"
    return f"{how} {' or '.join(WORDS.get(n, n.replace('-', ' ')) for n in names)}."
