"""What the desk says, in its own words and in the reader's language."""
