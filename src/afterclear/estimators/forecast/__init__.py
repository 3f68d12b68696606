"""Failures to come: how often components fail by distance, and how many to expect."""
