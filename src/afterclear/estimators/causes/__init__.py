"""Three reasons why a fault comes back: the fix failed, the part wore out, a new fault."""
