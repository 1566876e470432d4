"""Levels and exposure, from recordings with a known sensitivity only."""
