"""Biquads: cookbook designs, cascades, responses and Q conversions."""
