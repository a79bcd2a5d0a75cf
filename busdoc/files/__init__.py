"""Files that others give, and files that are the user's own."""
