"""Acquires and keeps: sources, decoders, the clock, the store, the settings, the vocabulary."""

__version__ = "0.1.0"
