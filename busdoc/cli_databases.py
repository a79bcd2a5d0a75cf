"""The option ``--db`` of every command that reads a message database: how it is asked for, and what it names."""

import argparse
from pathlib import Path

__all__ = ["add_database_option", "databases"]


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
