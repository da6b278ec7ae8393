"""The present state of signals and boxes: readings, runs of them, slopes, modes, facts."""
