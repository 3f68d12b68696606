"""Bytes as text: encodings, letters, languages."""
