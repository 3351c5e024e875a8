"""Everything seen, from results alone: overlay, side by side, plots, report."""
