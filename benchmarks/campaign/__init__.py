"""Damaged inputs by the hundred thousand, through the whole program."""
