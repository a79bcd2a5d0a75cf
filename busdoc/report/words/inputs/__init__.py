"""What was given beside the capture, in words."""
