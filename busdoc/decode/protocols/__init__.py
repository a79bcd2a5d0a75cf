"""What the protocols on a bus tell of starts and stops, whatever their name."""
