"""Codes that recur, and vehicles that get worse."""
