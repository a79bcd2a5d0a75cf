"""What keys do: the question that a key opens, what is logged, what is corrected."""
