"""Reads `.csv` captures: small ones row by row, large ones with the compiled parser."""

from collections.abc import Iterator
from functools import partial

from busdoc.capture.formats.csv_text.lines import parse_row
from busdoc.capture.formats.grammar import ByLine
from busdoc.capture.formats.text.by_line import read_text
from busdoc.capture.formats.text.reader import read_grammar
from busdoc.capture.formats.text.threads import Parse
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["read_csv"]


def read_csv(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.csv` capture's frames."""
    return read_grammar(reading, ByLine(partial(read_text, parse_row)), _load)


def _load() -> Parse:
    from busdoc.capture.formats.csv_text.kernel import parse_csv  # loads LLVM: 30 ms

    return parse_csv
