"""Timetables, and the loop that keeps them."""
