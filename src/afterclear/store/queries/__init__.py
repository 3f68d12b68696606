"""Queries of the store, one named query a question, and its record of runs."""
