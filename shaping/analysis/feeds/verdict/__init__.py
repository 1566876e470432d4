"""From measurements of all packs to the faults of each."""
