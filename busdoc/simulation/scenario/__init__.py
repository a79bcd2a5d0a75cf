"""Scenarios: what they may say, and how a file of one is read."""
