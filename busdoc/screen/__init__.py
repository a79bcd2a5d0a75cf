"""The live screen, in small widgets over plain models."""
