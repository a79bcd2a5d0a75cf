"""The reader of `.csv`: the grammar of its rows, and a compiled parser of those written the common way."""
