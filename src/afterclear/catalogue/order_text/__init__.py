"""Texts of work orders read as work that was done."""
