"""Rates and shares, shrunken and compared; sites against expectation."""
