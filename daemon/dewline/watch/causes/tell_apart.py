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
