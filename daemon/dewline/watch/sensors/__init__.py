"""Whether the readings of a sensor can be believed."""
