"""What the technician did, and on which machine: the journal, the machine map, what is plugged and exposed."""
