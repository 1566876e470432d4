"""From the rings of a ring-out to cuts."""
