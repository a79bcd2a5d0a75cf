"""The result as people and scripts take it: words, JSON, tables, terminal text, the record for the warranty desk."""
