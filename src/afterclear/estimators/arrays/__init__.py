"""Checks shared by all estimators, and arrays of many groups laid end to end."""
