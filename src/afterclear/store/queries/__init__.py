"""What is asked of the store, one named query a question, and its memory of runs."""
