"""What the technician did: the journal, actions read from the traffic, what is plugged and exposed."""
