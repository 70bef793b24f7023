"""Receiver's bytes to messages.

The generated tables import :mod:`offtake.dialects.tables`, so this package must not import them in turn:
:mod:`offtake.dialects.registry` does, and is asked for by name.
"""
