"""The areas of the screen, one module each."""
