"""What the readers of text captures share: a grammar for one line, and threads that run a compiled parser over many."""
