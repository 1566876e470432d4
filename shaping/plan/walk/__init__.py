"""One plan for a whole walk."""
