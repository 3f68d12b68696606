"""Bytes -> meaning; no files, no clock, no store."""
