"""Commands that reach sound devices."""
