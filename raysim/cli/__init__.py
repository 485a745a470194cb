"""Talks to the shell."""
