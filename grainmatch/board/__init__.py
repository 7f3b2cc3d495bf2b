"""Bench -> boards: every board's outline, its size, and the pairing of show and back faces."""
