"""What an import map says, and a source's table before it is mapped."""
