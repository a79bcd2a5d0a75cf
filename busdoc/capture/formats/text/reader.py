"""Reads a text capture by its grammar: small ones line by line, large ones with the compiled parser beside it."""

import sys
from collections.abc import Callable, Iterator

from busdoc.capture.formats.grammar import Grammar
from busdoc.capture.formats.text.by_line import frames_of_grammar
from busdoc.capture.formats.text.threads import Parse, read_text_compiled
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["read_grammar"]

_CHUNK_BYTES = 1 << 18


def read_grammar(reading: Reading, grammar: Grammar, load: Callable[[], Parse]) -> Iterator[ReadBlock]:
    """Yield a capture's frames in file order, the same by either way.

    Parameters
    ----------
    load : gives the compiled parser
    """
    if reading.compiled and sys.byteorder == "little":  # the compiled parser lays words down as such a processor does
        return read_text_compiled(reading, grammar, load)
    return frames_of_grammar(reading, grammar, reading.chunk_bytes or _CHUNK_BYTES)
