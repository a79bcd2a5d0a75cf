"""Controllers over time: the roll, each stream's rhythm, presence, incidents, resync, and the wire itself."""
