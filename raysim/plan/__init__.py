"""Chooses treatments from a catalogue: what to hang where, in which order, and when to stop."""
