"""Stills: one function a figure, from results alone, in one quiet style."""
