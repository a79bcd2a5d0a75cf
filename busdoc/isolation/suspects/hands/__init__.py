"""What hands do that no action tells."""
