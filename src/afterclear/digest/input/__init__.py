"""Frames of results and the classes of their rows."""
