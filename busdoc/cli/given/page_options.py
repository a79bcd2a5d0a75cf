"""The page for the phone, as several commands ask for it: its options, and how it is opened."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.errors import InputError

if TYPE_CHECKING:
    from busdoc.page.command import PageOfCommand

__all__ = ["add_page_options", "open_page", "refuse_page"]


def add_page_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--page`` and what belongs to it."""
    parser.add_argument(
        "--page",
        action="store_true",
        help="serve a page for the phone in your pocket; without --page-on for this computer alone",
    )
    parser.add_argument(
        "--page-on", metavar="ADDRESS", help="with --page: let phones in, on lan or on one address of this computer"
    )
    parser.add_argument("--page-port", type=int, metavar="N", help="with --page: the port (default 8717, or the next)")
    parser.add_argument("--page-cert", type=Path, metavar="FILE", help="with --page: encrypt with this certificate")
    parser.add_argument("--page-key", type=Path, metavar="FILE", help="with --page-cert: its key, where it is apart")


def open_page(arguments: argparse.Namespace, folder: Path | None) -> "PageOfCommand | None":
    """Take the address and the port of the page; None: none is asked for.

    Parameters
    ----------
    folder : of a session that may be gone on with; None: there is none

    Raises
    ------
    InputError : options that do nothing, packages that are missing, or no such address
    """
    if not arguments.page:
        refuse_page(arguments, "no --page")
        return None
    from busdoc.page.command import page_for

    return page_for(
        on=arguments.page_on,
        port=arguments.page_port,
        certificate=arguments.page_cert,
        key=arguments.page_key,
        folder=folder,
    )


def refuse_page(arguments: argparse.Namespace, what: str) -> None:
    """Refuse the options of the page where there is nothing to show on it.

    Raises
    ------
    InputError : one of them was given
    """
    names = ("page", "page_on", "page_port", "page_cert", "page_key")
    given = [name for name in names if getattr(arguments, name) not in (None, False)]
    if given:
        raise InputError(f"--{given[0].replace('_', '-')}", "something that is listened to", what, "Leave it out.")
