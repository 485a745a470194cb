"""Slow, obvious versions of what the package computes; they import nothing of it."""
