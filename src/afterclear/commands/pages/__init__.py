"""Digests: frames, pages, mail."""
