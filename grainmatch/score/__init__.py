"""Boards and features -> Problem; layout -> Score."""
