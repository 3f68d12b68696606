"""What else a row of a reading holds: another reading, and when codes were cleared."""
