"""A delivery on its way in: archived, staged, checked, merged, entered in the ledger."""
