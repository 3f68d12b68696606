"""A column's profile, and the roles it may have."""
