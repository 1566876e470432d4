"""The recordings as they lie on the disk, and what is recorded of them."""
