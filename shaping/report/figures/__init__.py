"""Figures of plans, findings and comparisons: they take and return axes, and never compute."""
