"""The words of work orders in each language: cut, known, bent, and the names they make."""
