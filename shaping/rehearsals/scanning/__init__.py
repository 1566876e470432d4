"""Recordings cut into pieces, and the pieces through any executor."""
