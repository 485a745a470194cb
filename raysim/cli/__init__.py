"""Talk to the shell."""
