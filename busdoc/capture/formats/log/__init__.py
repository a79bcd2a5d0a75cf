"""The reader of `.log`: two parsers of one grammar, chosen by size."""
