"""The pictures of the record."""
