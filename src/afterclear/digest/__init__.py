"""Results -> page models -> one self-contained HTML file."""
