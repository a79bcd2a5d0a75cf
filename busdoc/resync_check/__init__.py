"""The resync check: power-ups, how every controller came back, limits learnt from healthy ones."""
