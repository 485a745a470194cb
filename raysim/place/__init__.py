"""Where loudspeakers and seat go: a search of positions in a room as it is."""
