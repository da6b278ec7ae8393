"""The physics of an inert-gas box: pure functions, units in the names, out of range is an error."""
