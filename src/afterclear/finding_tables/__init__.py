"""What each table of findings holds, and how it is said and shown: declared once, for all parts."""
