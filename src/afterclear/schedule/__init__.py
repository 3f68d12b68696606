"""Timetables, and the scheduler that runs them."""
