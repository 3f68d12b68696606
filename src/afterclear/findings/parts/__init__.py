"""How long parts last, from work orders."""
