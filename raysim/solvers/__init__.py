"""Compute sound fields."""
