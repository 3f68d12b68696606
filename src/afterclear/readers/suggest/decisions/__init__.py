"""Decisions from evidence, each for one part of a map: times, vehicles, codes, distances."""
