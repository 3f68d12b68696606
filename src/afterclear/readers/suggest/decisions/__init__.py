"""Evidence settled for one part of a map: times, vehicles, codes, distances."""
