"""What is to be judged: manifests, folders, addresses."""
