"""Presence: who was lost when, with whom, for how long, and whether it restarted."""
