"""Checks made when all rows of a file are in."""
