"""Scanning many long recordings for feedback events."""
