"""Shows results; never computes acoustics."""
