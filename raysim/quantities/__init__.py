"""Evaluate sound fields."""
