"""How loudspeakers radiate: from their sizes, or from a table by angle and band."""
