"""Tracks and raw streams to open formats."""
