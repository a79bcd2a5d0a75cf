"""The result as a record, and its renderings: JSON, tables, terminal text, pictures, the HTML report."""
