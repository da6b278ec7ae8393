"""Conditions of rules and their evaluation."""
