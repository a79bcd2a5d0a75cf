"""Frames into columnar blocks: readers by suffix, live buses, the recorder. Knows nothing of what frames mean."""
