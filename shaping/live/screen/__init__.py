"""What live commands show on a terminal, at any width."""
