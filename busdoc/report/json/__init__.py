"""The result as the JSON document `busdoc-verdict/1`, and its schema."""
