"""Epochs of many messages at once; see :mod:`offtake.track.bulk_epochs`."""
