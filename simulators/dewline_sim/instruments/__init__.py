"""Instruments of the simulated lab: sensors with their vices, and the registers they fill."""
