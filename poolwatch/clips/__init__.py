"""A recording of any format as blocks of grey frames at native depth, and the facts about it."""
