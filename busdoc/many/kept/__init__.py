"""What is kept in the folder of a fleet."""
