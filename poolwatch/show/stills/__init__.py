"""Stills: one function a figure, from results alone, in one quiet style."""

CLIP_STILLS = ("series", "spectra", "outline_motion", "spatter", "middle_line")
"""Names of the stills of a clip, each written as ``.png`` and ``.svg``."""
