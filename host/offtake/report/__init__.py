"""A journal as one page for people: words first, then figures, then pictures."""
