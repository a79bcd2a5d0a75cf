"""Commands over many captures."""
