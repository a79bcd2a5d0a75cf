"""What the commands that listen do while they run."""
