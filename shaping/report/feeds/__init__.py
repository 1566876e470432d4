"""In-ear feeds -> people: words, terminal, page, figure."""
