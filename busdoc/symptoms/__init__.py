"""Symptoms: anything that shows, does not show, or cannot be seen at a time; a dropout is one kind, a code another."""
