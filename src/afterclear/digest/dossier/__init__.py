"""The dossier of a vehicle in stock: what the records show, with where each figure comes from."""
