"""Faults whose rate has risen in a group of vehicles."""
