"""Alarms: state table, suppression, timers, operator commands, events."""
