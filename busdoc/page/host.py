"""What the server asks of what it serves: a session, a power-up that is counted home, a recording."""

from collections.abc import Mapping
from typing import Protocol

from busdoc.page.press import Answer, Press

__all__ = ["Host"]


class Host(Protocol):
    """Something that runs and is shown. All calls come in the thread that runs it."""

    def hear(self) -> bool:
        """Take what happened since the last time; True: something did, and is to be shown at once."""
        ...

    def sections(self) -> Mapping[str, object]:
        """Give all that is shown, part by part, in JSON's terms; a part that has not changed is not sent again."""
        ...

    def press(self, press: Press, server_s: float) -> Answer:
        """Do what was pressed, once, however often it is sent.

        Parameters
        ----------
        server_s : the server's clock now
        """
        ...

    def keep_photograph(self, name: str, data: bytes) -> None:
        """Keep a photograph; it is on the disk when this returns.

        Raises
        ------
        InputError : it cannot be kept
        """
        ...
