"""Finds out what is on a wire: whether anything, at which speed and framing, in which dialect, and how sure that is."""
