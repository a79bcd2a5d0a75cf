"""The page beside a command that runs: its place, its server, and what lets a phone in, as lines.

What it needs is an extra of the package: it is looked for before anything of it is imported.
"""

import contextlib
import importlib.util
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from busdoc.errors import InputError

if TYPE_CHECKING:
    from busdoc.page.host import Host
    from busdoc.page.place import Place
    from busdoc.page.server import KeptPage, PageServer

__all__ = ["PageOfCommand", "page_for"]

_NEEDED = ("starlette", "uvicorn", "segno", "ifaddr")
_NOT_ENCRYPTED = (
    "The page is not encrypted: who shares the Wi-Fi can read along, and could log in a phone's name. Use this "
    "computer's own hotspot, or --page-cert; docs/phone.md says how."
)
_ALONE = "The page is for this computer alone: --page-on lan lets a phone in."


def page_for(
    *, on: str | None, port: int | None, certificate: Path | None, key: Path | None, folder: Path | None
) -> "PageOfCommand":
    """Take the address and the port of a page.

    Parameters
    ----------
    on, port, certificate, key : as `busdoc.page.place.bind` takes them
    folder : of a session that may be gone on with; None: there is none

    Raises
    ------
    InputError : packages that are missing, no such address, or a certificate that cannot be used
    """
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        advice = 'Install them: pip install "busdoc[page]"'
        raise InputError("--page", "the packages of the page", f"no {', '.join(missing)}", advice)
    if port is not None and not 0 <= port < 65_536:
        raise InputError("--page-port", "a port from 1 to 65535", f"{port}", "Write for example --page-port 8717.")
    from busdoc.page.place import bind
    from busdoc.page.server import read_kept

    kept = read_kept(folder)
    return PageOfCommand(bind(on, port, certificate, key, wished=kept.port), kept)


class PageOfCommand:
    """The page of a command that runs."""

    def __init__(self, place: "Place", kept: "KeptPage") -> None:
        self._place, self._kept = place, kept
        self._server: PageServer | None = None

    @contextlib.contextmanager
    def served(self, host: "Host", folder: Path | None, say: Callable[[str], None]) -> Iterator[Callable[[], None]]:
        """Serve the page as long as the context lasts; gives what is to be called at each step of what runs.

        Parameters
        ----------
        folder : where it is kept who has joined; None: nowhere
        say : writes a line that warns
        """
        from busdoc.page.server import PageServer

        server = PageServer(host, self._place, kept=self._kept, folder=folder)
        server.start()
        self._server = server
        try:
            for text in self.warnings:
                say(text)
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
            return (_ALONE,)
        return () if self._place.scheme == "https" else (_NOT_ENCRYPTED,)

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

    def show(self, say: Callable[[str], None], terminal: TextIO | None) -> None:
        """Write the links and the code that lets a phone log.

        Parameters
        ----------
        say : writes a line
        terminal : takes the code, in colours of its own; None: there is none
        """
        from busdoc.page.code import terminal_code
        from busdoc.page.place import is_for_this_computer_alone

        logs, views = self.links
        if not is_for_this_computer_alone(self._place):
            if terminal is not None:
                terminal.write(f"{terminal_code(logs)}\n")
                terminal.flush()
            say("Scan the code with the phone's camera, or type the link.")
        say(f"Page, to log:      {logs}")
        say(f"Page, to look on:  {views}")
