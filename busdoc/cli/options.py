"""What several commands ask for alike: databases and reports, how they are named, checked and written."""

import argparse
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from busdoc.errors import InputError

if TYPE_CHECKING:
    from busdoc.analysis.result import Result

__all__ = ["add_database_option", "databases", "report_suffix", "write_report"]


def add_database_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--db`` to a command that decodes."""
    parser.add_argument(
        "--db",
        action="append",
        default=[],
        metavar="[CHANNEL=]FILE",
        help="message database (.dbc, .kcd, .sym, .arxml, .cdd); may be given several times",
    )


def databases(arguments: argparse.Namespace) -> list[Path | tuple[int | str, Path]]:
    """Read each `FILE` or `CHANNEL=FILE`; a file whose own name holds an equals sign is a file."""
    found: list[Path | tuple[int | str, Path]] = []
    for text in arguments.db:
        channel, mark, file = text.partition("=")
        if not mark or Path(text).exists():
            found.append(Path(text))
        else:
            found.append((int(channel) if channel.isdigit() else channel, Path(file)))
    return found


def report_suffix(path: Path | None) -> None:
    """Check that a report can be written under this name.

    Raises
    ------
    InputError : it cannot
    """
    if path is not None and path.suffix.lower() not in (".html", ".pdf"):
        raise InputError(str(path), "a report FILE.html or FILE.pdf", f'"{path.suffix}"', "Change the ending.")


def write_report(
    result: "Result",
    path: Path,
    *,
    words: Sequence[str],
    fields: Mapping[str, str] = MappingProxyType({}),
    paper: Literal["A4", "Letter"] = "A4",
) -> None:
    """Write the record of a result, as the ending of the file says.

    Parameters
    ----------
    words : of the command line, so that the record can be made again
    fields : lines of its head
    """
    command = shlex.join(["busdoc", *words])
    if path.suffix.lower() == ".pdf":
        from busdoc.report.record.pdf import write_pdf

        write_pdf(result, path, command=command, fields=fields, paper=paper)
    else:
        from busdoc.report.record.html import write_html

        write_html(result, path, command=command, fields=fields)
