"""Controllers over time: the roll, each stream's rhythm, presence, incidents, codes, and the wire itself."""
