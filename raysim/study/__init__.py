"""Studies: many runs of one scene, changed by a design, that survive the night."""
