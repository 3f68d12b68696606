"""What to do first."""
