"""What cured which fault in this fleet."""
