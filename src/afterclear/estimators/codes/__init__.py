"""Which codes belong together, and which comes first."""
