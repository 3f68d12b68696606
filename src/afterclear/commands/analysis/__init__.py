"""Rebuild histories, judge, find, decide."""
