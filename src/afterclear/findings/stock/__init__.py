"""Is a vehicle in stock ready to be sold."""
