"""What a column looks like, and what that makes of it."""
