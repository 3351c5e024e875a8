"""Frames out: grey frames into video and image files, lossless or for browsers; the only writer."""
