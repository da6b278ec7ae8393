"""Signals defined by an expression of others: read, checked for units, computed. Pure."""
