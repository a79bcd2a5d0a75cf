"""The reader of `.trc`: the grammar of its lines, and a compiled parser of those written the common way."""
