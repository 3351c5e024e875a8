"""The finished weld in a photo: the bead, its edges, ripples, and particles on the sheet."""
