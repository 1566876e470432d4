"""From plans to people: figures, terminal text, pages."""
