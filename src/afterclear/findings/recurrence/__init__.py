"""Codes that recur, vehicles that get worse."""
