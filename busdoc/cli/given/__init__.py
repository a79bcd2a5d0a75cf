"""What is given to a command before it runs: files by pattern, and a capture from standard input."""
