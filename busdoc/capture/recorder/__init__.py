"""The recorder: frames, gaps and marks kept on disk as they come."""
