"""The page on the phone, as commands have it: its options, and the server beside what runs."""

import argparse
import contextlib
import importlib.util
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import Surroundings
from busdoc.errors import InputError
from busdoc.words.printable import own_stream

if TYPE_CHECKING:
    from busdoc.page.host import Host
    from busdoc.page.place import Place
    from busdoc.page.server import KeptPage, PageServer

__all__ = ["PageOfCommand", "add_page_options", "open_page"]

_NEEDED = ("starlette", "uvicorn", "segno", "ifaddr")
_HTTPS_ONLY = "Not encrypted: who shares the Wi-Fi can read along, and could log in a phone's name. "
_ADVICE = "Use this computer's own hotspot, or --page-cert; docs/phone.md says how."


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
        for option in ("page_on", "page_port", "page_cert", "page_key"):
            if getattr(arguments, option) is not None:
                name = f"--{option.replace('_', '-')}"
                raise InputError(name, "--page beside it", "none", "Add --page, or leave it out.")
        return None
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise InputError(
            "--page", "the packages of the page", f"no {', '.join(missing)}", 'Install them: pip install "busdoc[page]"'
        )
    port: int | None = arguments.page_port
    if port is not None and not 0 <= port < 65_536:
        raise InputError("--page-port", "a port from 1 to 65535", f"{port}", "Write for example --page-port 8717.")
    from busdoc.page.place import bind
    from busdoc.page.server import read_kept

    kept = read_kept(folder)
    place = bind(arguments.page_on, port, arguments.page_cert, arguments.page_key, wished=kept.port)
    return PageOfCommand(place, kept)


class PageOfCommand:
    """The page of a command that runs."""

    def __init__(self, place: "Place", kept: "KeptPage") -> None:
        self._place, self._kept = place, kept
        self._server: PageServer | None = None

    @contextlib.contextmanager
    def served(self, host: "Host", folder: Path | None, surroundings: Surroundings) -> Iterator[Callable[[], None]]:
        """Serve the page as long as the context lasts; gives what is to be called at each step of what runs.

        Parameters
        ----------
        folder : where it is kept who has joined; None: nowhere
        """
        from busdoc.page.server import PageServer

        server = PageServer(host, self._place, kept=self._kept, folder=folder)
        server.start()
        self._server = server
        try:
            for text in self.warnings:
                print(f"busdoc: {text}", file=surroundings.stderr)
            yield server.tick
        finally:
            server.stop()

    def close(self) -> None:
        """Let go of the address, where nothing was served."""
        for one in self._place.sockets:
            one.close()

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is to be known of where it is served."""
        from busdoc.page.place import is_for_this_computer_alone

        if is_for_this_computer_alone(self._place):
            return ("The page is for this computer alone: --page-on lan lets a phone in.",)
        return () if self._place.scheme == "https" else (f"{_HTTPS_ONLY}{_ADVICE}",)

    @property
    def links(self) -> tuple[str, str]:
        """The link of a phone that logs, and of one that only shows."""
        from busdoc.page.entry import Role

        assert self._server is not None
        entry = self._server.entry
        return self._place.link(entry.secret(Role.LOG)), self._place.link(entry.secret(Role.VIEW))

    def texts(self, dark_ink: bool) -> Sequence[str]:
        """Give the codes and links as lines, drawn for ink that is darker or lighter than what lies beneath."""
        from busdoc.page.code import code_rows
        from busdoc.page.place import is_for_this_computer_alone

        logs, views = self.links
        also = self._place.addresses[1:]
        if is_for_this_computer_alone(self._place):
            return (*self.warnings, "", f"To log:      {logs}", f"To look on:  {views}")
        others = ("", f"If it does not open, put one of these before the #: {', '.join(also)}") if also else ()
        return (
            *code_rows(logs, dark_ink=dark_ink),
            f"To log:      {logs}",
            *self.warnings,
            *others,
            "",
            *code_rows(views, dark_ink=dark_ink),
            f"To look on:  {views}",
        )

    def show(self, surroundings: Surroundings) -> None:
        """Write links and, on a terminal, the code that lets a phone log."""
        from busdoc.page.code import terminal_code
        from busdoc.page.place import is_for_this_computer_alone

        logs, views = self.links
        out = surroundings.stdout
        if not is_for_this_computer_alone(self._place):
            if out.isatty() and surroundings.unicode:
                stream = own_stream(out)
                stream.write(f"{terminal_code(logs)}\n")
                stream.flush()
            print("Scan the code with the phone's camera, or type the link.", file=out)
        print(f"Page, to log:      {logs}", file=out)
        print(f"Page, to look on:  {views}", file=out, flush=True)
