"""In-ear packs of the virtual stage."""
