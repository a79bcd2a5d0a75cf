"""Whether the pattern of all presses fits that of all losses and returns, for each shift of the journal's clock."""
