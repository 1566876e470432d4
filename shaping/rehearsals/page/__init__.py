"""The results as one page to read on a phone."""
