"""Recordings of vehicle buses and answers of control units."""
