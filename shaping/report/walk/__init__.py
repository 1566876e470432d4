"""A walk for people: words, terminal, page."""
