"""Signals of whole blocks of frames at once: values, states, changes."""
