"""What to do next: the tests that tell most for their effort, and the proof of a repair."""
