"""Followers: each carries the journal to one far side and moves its cursor when that confirmed."""
