"""Loop responses: from a test signal and its capture to stable gain."""
