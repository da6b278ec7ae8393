"""Instruments of the simulated lab: sensors with their errors, and the registers they fill."""
