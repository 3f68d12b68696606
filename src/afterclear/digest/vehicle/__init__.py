"""One vehicle's rows to its page's model."""
