"""Maskwright's worker side: the engine, the vocabulary it shares with the service, and the two doors to it."""

__version__ = "0.1.0"
