"""What the page shows of each command, and what its presses do there."""
