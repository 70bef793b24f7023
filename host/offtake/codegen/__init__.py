"""The generator: C, Python and the reference page from one definition."""
