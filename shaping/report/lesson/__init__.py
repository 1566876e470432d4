"""One lesson page to hear and see why: a file that opens on a phone, without Python or network."""
