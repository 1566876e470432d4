"""Pink noise without its reference: peaks of a spectrum."""
