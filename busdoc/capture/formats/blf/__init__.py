"""The reader of `.blf`: the grammar of its objects, and two parsers of the common ones, chosen by size."""
