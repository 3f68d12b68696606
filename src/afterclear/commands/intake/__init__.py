"""Fetch, load, map, read again."""
