"""Texts of work orders: cut into known words, and read as work that was done."""
