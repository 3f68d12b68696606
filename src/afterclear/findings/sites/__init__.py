"""Whose fixes hold, and how sites work."""
