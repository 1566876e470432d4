"""Hearing a plan: a recording rendered through it, alone or as a pair to compare."""
