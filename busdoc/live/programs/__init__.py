"""Programs of their own that what happens in a session starts."""
