"""Levels and exposure for people: words, terminal, page."""
