"""What comes before dropouts: events and measured values, tested against chance."""
