"""Rows that are stored already, in other words or other parts: new, the same, or corrected."""
