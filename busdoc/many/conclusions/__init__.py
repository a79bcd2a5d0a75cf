"""What only many captures can tell."""
