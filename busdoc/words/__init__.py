"""How durations, probabilities and numbers are written, once for everybody."""
