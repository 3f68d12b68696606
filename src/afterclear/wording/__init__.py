"""Facts in the reader's words: language, units, and one sentence for every reason."""
