"""The runs of a controller: how each began, what rhythm it kept in them, and whether it restarts over and over."""
