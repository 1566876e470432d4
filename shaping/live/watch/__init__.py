"""Rings as they grow: what is measured of tones up to now, how sure it is, and who is told."""
