"""How findings are worded: the one place for each, whoever shows it."""
