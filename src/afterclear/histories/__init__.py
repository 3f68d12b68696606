"""Stored rows -> what was seen, cleared, tried and proven."""
