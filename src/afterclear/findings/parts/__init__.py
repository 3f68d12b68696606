"""How long parts live, from work orders."""
