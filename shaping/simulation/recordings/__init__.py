"""More recordings to ship: a calibrated one, and a walk."""
