"""The sheet a vehicle takes into the workshop."""
