"""How a sentence is put together from words that others chose."""

__all__ = ["capital"]


def capital(text: str) -> str:
    """Begin with a capital, and leave the rest as it is: it may hold names.

    >>> capital("the hopper's CAN plug"), capital("")
    ("The hopper's CAN plug", '')
    """
    return text[:1].upper() + text[1:]
