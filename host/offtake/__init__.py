"""Offtake: log a navigation receiver's serial line to a card, and read the log back."""

__version__ = "0.1.0"
