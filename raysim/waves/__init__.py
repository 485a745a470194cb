"""Sound waves in a room of any shape: tetrahedra, modes, and the response of each variant."""
