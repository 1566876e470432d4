"""Thinning: starting points, effect, fit to recordings."""
