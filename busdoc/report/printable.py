"""Texts from captures, maps, databases and journals, made safe to show: no control or direction-changing characters."""

__all__ = ["printable", "shortened"]

_STANDS_FOR = "\N{REPLACEMENT CHARACTER}"


def printable(text: str) -> str:
    """Replace every character that has no shape of its own, except line ends and tabs.

    >>> printable("fan\\x00"), printable("hopper \\u202egpj")
    ('fan\\ufffd', 'hopper \\ufffdgpj')
    """
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter in "\n\t" else _STANDS_FOR for letter in text)


def shortened(text: str, most: int) -> str:
    """Put a text on one line of at most `most` characters.

    >>> shortened("left wing mirror", 10)
    'left wing…'
    """
    line = " ".join(printable(text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"
