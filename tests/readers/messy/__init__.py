"""A corpus of exports as they really arrive: written by script, each with the rows it means."""
