"""Which code is the fault and which follows from it."""
