"""Reads `.trc` captures: small ones line by line, large ones with the compiled parser."""

from collections.abc import Iterator

from busdoc.capture.formats.text.reader import read_grammar
from busdoc.capture.formats.text.threads import Parse
from busdoc.capture.formats.trc.lines import TrcLines
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["read_trc"]


def read_trc(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.trc` capture's frames; its status and error rows are given as error-message frames."""
    return read_grammar(reading, TrcLines(reading), _load)


def _load() -> Parse:
    from busdoc.capture.formats.trc.kernel import parse_trc  # loads LLVM: 30 ms

    return parse_trc
