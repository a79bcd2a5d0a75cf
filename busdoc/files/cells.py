"""Texts in CSV cells that a spreadsheet would take for a formula: kept as text, and read back as they were.

A name or a note that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line end is computed by a spreadsheet that
opens the table (OWASP, "CSV Injection"). An apostrophe before it is what spreadsheets themselves take as "this is
text"; a text that begins with an apostrophe gets another, so that nothing is lost.
"""

__all__ = ["as_cell", "from_cell"]

_COMPUTED = ("=", "+", "-", "@", "\t", "\r", "\n", "'")


def as_cell(text: str) -> str:
    """Write a text so that no spreadsheet computes it.

    >>> as_cell("=1+2"), as_cell("hopper"), as_cell("'tis")
    ("'=1+2", 'hopper', "''tis")
    """
    return f"'{text}" if text.startswith(_COMPUTED) else text


def from_cell(text: str) -> str:
    """Read a text that `as_cell` wrote; any other is given as it is.

    >>> from_cell("'=1+2"), from_cell("'twas"), from_cell("''tis")
    ('=1+2', "'twas", "'tis")
    """
    return text[1:] if text.startswith("'") and text[1:].startswith(_COMPUTED) else text
