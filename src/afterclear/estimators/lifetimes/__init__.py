"""How long parts live, and which live longer."""
