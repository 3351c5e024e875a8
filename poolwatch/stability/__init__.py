"""From a series to its steady part, spectrum, peaks, fluctuation, index and intervals."""
