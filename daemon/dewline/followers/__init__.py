"""Followers: each delivers the journal to one far side, and its cursor moves on confirmation."""
