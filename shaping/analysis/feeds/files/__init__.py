"""The packs file, the result as JSON, and the last good state."""
