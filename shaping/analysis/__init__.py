"""From captures to findings: rings, resonances, loop response, spill, speech."""
