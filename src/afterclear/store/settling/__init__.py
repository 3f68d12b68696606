"""What is looked at when all rows of a file are in."""
