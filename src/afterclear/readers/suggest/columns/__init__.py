"""A file's columns, one by one: what their headings and values say, and what is asked of them."""
