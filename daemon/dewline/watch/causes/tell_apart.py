"""The one test that would decide between two causes."""

from __future__ import annotations

from dewline.watch.causes.names import CauseName

# The first row of which the first cause and another one of the set are members applies.
# fmt: off
TELL_APART: tuple[tuple[tuple[CauseName, ...], str], ...] = (
    (("air-leak", "loop-suction-leak", "bed-spent-oxygen"),
     "Stop the loop 10 min: a climb of tens of ppm/h is the shell, 1-2 ppm/h loop or bed; "
     "back level 10 min after the restart is the loop, still climbing is the bed."),
    (("sample-line", "loop-suction-leak"),
     "Change the sample flow: air drawn into the sample line goes as one over it, "
     "what is in the box stays."),
    (("sample-line", "sensor-drift", "loop-suction-leak", "air-leak"),
     "Change the blower speed: a true source goes as one over the flow, a sample line or a "
     "drifting zero stays."),
    (("bed-spent-water", "bed-warm", "cooling-water-leak", "outgassing", "regen-return"),
     "Compare the bed's temperature with its usual one, let it cool and wait; "
     "look at the run length and at the water side."),
    (("bed-spent-oxygen", "bed-not-reduced", "bed-poisoned"),
     "One good regeneration with counted hydrogen, then a known dose."),
    (("bed-spent-water", "sensor-drift", "glove-permeation", "weather-or-heat"),
     "Change the blower speed: a true source goes as one over the flow, a drift stays."),
    (("solvent", "sensor-unresponsive", "sensor-frozen"),
     "Inject 60 mL of room air: a live oxygen sensor shows it; compare with a second principle."),
    (("outgassing", "wet-load", "glove-permeation", "weather-or-heat"),
     "Only notes and how it decays tell: look at what came in and when the gloves were changed."),
    (("supply-impure", "air-leak", "impulse"),
     "Analyse the gas at the point of use, or watch whether oxygen moves with the next fills."),
    (("transfer", "wet-load", "air-leak", "impulse"),
     "Look at the last transfer: its cycles, its depth, what was brought in."),
    (("glove-torn", "gas-loss", "leak-at-low-pressure", "antechamber-seal"),
     "Listen for gas, close the chambers, tie the gloves one at a time and watch the pressure."),
    (("instrument-silent", "power"),
     "Look whether lights and panel of the box are on."),
    (("circulation-stopped", "power", "regenerating", "purifier-bypassed"),
     "Read the panel: blower, valves of the bed, program."),
    (("supply-low", "valves-unpowered", "weather-or-heat"),
     "Read the supply's own gauge and look whether the other boxes sag too."),
)

# Of each cause what shows it or rules it out, where no row above applies. Common practice, no
# source.
TEST_OF: dict[CauseName, str] = {
    "air-leak": "Stop the loop 10 min: a climb of tens of ppm/h is a leak in the shell.",
    "antechamber-seal": "Evacuate the chamber, shut the pump off and watch its pressure for 5 min.",
    "bed-not-reduced": "Regenerate with counted hydrogen, then give a known dose.",
    "bed-poisoned": "Regenerate once more and give a known dose: a poisoned bed does not recover.",
    "bed-spent-oxygen": "Inject 60 mL of room air: a sound bed cleans it with its usual time.",
    "bed-spent-water": "Compare the bed's outlet with the box, and its run length.",
    "bed-warm": "Let the bed cool and wait: the level goes back with its temperature.",
    "circulation-reduced": "Set the blower to its usual speed and see whether the level falls.",
    "circulation-stopped": "Restart the loop at the panel: the level falls within minutes.",
    "cooling-water-leak": "Look whether the water side loses water; shut it and wait.",
    "gas-loss": "Hold the pressure with the fill shut and see how fast it falls.",
    "glove-permeation": "Compare with the room's humidity of the last hours, and with other boxes.",
    "glove-torn": "Listen for gas, and tie the gloves off one at a time.",
    "hands": "Take the hands out of the gloves for 10 min and watch the pressure.",
    "impulse": "Wait 10 min: a dose decays with the time of the box, a leak stays.",
    "instrument-silent": "Look whether the instrument has power and its line is plugged in.",
    "leak-at-low-pressure": "Raise the pressure above the room's: what comes in stops.",
    "linked-box": "Look at the other box on this purifier: the source stands higher.",
    "loop-suction-leak": "Stop the loop 10 min: the level stays, and comes back after the restart.",
    "outgassing": "Look at what was brought in, and whether it decays over hours.",
    "power": "Look whether lights and panel of the box are on.",
    "purging": "End the purge and see whether the level goes back.",
    "purifier-bypassed": "Read the valves of the bed at the panel.",
    "regen-return": "Wait two hours: a fresh bed settles.",
    "regenerating": "Read the program's step at the panel.",
    "sample-line": "Change the sample flow: air drawn into the line goes as one over it.",
    "scale-slip": "Read the range on the analyzer's own display.",
    "sensor-drift": "Change the blower speed or stop the loop 10 min: a drift goes on as before.",
    "sensor-frozen": "Restart the instrument by its own rules and watch its last digit.",
    "sensor-unresponsive": "Inject 60 mL of room air and see whether the sensor answers.",
    "solvent": "Close what is open and purge: the reading comes back as the vapour goes.",
    "supply-impure": "Analyze the gas where it is used; see whether fills move the level.",
    "supply-low": "Read the supply's own gauge.",
    "transfer": "Look at the last transfer: its cycles, its depth, what was brought in.",
    "valves-unpowered": "Read the gauge of the gas that moves the valves.",
    "weather-or-heat": "Look whether the other boxes move with the room as well.",
    "wet-load": "Look at what was brought in last, and take it out again.",
}
