"""A fleet's rows in a lake, and its analysis bucket by bucket."""
