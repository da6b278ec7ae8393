"""State of signals, slopes, modes."""
