"""Backups, checks, retention, forgetting."""
