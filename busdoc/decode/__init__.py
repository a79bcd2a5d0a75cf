"""What frames mean: the user's databases, vectorised signals, and the open protocols' identity and fault codes."""
