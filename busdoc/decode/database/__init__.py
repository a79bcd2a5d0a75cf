"""The user's message databases, and what their signals mean."""
