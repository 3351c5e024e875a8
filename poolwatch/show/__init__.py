"""Everything seen, from results alone: overlay, side by side, stills, report. Decides nothing."""
