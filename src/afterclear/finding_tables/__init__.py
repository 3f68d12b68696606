"""What each table of findings holds, its sentences and its display: declared once."""
