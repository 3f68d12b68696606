"""Where the table of a file is, and what stands above, below and between its rows."""
