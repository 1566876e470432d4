"""Phrases for people: frequencies with their notes, durations, listings, names made safe."""
