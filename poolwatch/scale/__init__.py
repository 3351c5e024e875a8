"""Pixels to millimetres, with uncertainty: calibration and scale files."""
