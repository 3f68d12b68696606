"""The desk: its safeguards, and the daily work through its forms."""
