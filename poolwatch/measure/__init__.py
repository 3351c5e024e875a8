"""One clip: look first, then measure, then score."""
