"""Before and after: what really changed, and the next step."""
