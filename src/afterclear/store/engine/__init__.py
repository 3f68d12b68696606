"""The database itself: opened, locked, migrated, copied for readers."""
