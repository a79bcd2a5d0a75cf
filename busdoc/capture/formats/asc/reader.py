"""Reads `.asc` captures: small ones line by line, large ones with the compiled parser."""

from collections.abc import Iterator

from busdoc.capture.formats.asc.lines import AscLines
from busdoc.capture.formats.text.reader import read_grammar
from busdoc.capture.formats.text.threads import Parse
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["read_asc"]


def read_asc(reading: Reading) -> Iterator[ReadBlock]:
    """Yield an `.asc` capture's frames; controller states are given as error-message frames."""
    return read_grammar(reading, AscLines(reading), _load)


def _load() -> Parse:
    from busdoc.capture.formats.asc.kernel import parse_asc  # loads LLVM: 30 ms

    return parse_asc
