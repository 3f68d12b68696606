"""Spellings and meanings: codes, families, VINs; text in, text out."""
