"""What is computed from a finished record."""
