"""The plant of the simulated lab: moles that move between places, never made or lost unseen."""
