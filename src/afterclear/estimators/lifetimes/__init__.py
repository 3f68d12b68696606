"""How long parts last, and which last longer."""
