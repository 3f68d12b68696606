"""A source's table through its map: rows of the plain layout."""
