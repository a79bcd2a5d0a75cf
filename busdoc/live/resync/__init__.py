"""What is followed live after a power cycle or a repair: who comes back, and whether it stays quiet."""
