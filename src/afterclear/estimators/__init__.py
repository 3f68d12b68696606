"""Arrays in, frozen results out; no store, no clock, no HTML."""
