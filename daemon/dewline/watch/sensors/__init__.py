"""Plausibility of sensors."""
