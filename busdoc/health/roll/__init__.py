"""The roll: who is on the bus, by map, database, claim, node or heartbeat."""
