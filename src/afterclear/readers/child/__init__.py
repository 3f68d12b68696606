"""Foreign files are read by a process of their own, within limits."""
