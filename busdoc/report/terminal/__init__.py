"""The result as text of a terminal's width."""
