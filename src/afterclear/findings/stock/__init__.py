"""Whether a vehicle in stock is ready to be sold."""
