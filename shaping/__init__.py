"""Thin and ring out stage monitors: from a recording to the EQ settings to dial in."""

__version__ = "0.1.0"
