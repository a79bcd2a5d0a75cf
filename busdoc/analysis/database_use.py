"""Which message databases a recording was read with, what of each was heard, and why one was of no use."""

from dataclasses import dataclass
from pathlib import Path

from busdoc.decode.database.database import Database
from busdoc.health.summary import Health

__all__ = ["DatabaseUse", "uses_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DatabaseUse:
    """What came of one file."""

    file: Path
    channel: int | str | None
    """The only channel that it was given for; None: any."""
    bus: str
    """The only one of its buses that was asked for; empty: all."""
    buses: tuple[str, ...]
    """Those that its messages are for, as it names them."""
    messages: int
    heard: int
    """How many of its messages were on the bus."""
    why_not: str
    """Why nothing of it was used; empty: it was."""


def uses_of(database: Database | None, health: Health) -> tuple[DatabaseUse, ...]:
    """Say of each file what was heard of it; files of one name are told apart by their channel and their bus."""
    if database is None:
        return ()
    heard: dict[tuple[str, int | str | None], dict[int, str]] = {}
    for controller in health.controllers:
        for stream in controller.streams:
            message = database.find(stream.key.channel, stream.key.id, stream.key.extended)
            if message is not None:
                heard.setdefault((message.file, message.channel), {})[id(message)] = message.bus
    uses = []
    for file in database.files:
        buses = heard.get((file.path.name, file.channel), {}).values()
        n_heard = sum(not file.bus or bus == file.bus for bus in buses)
        why_not = file.why_not or ("" if n_heard else "none of its messages was heard")
        uses.append(
            DatabaseUse(
                file=file.path,
                channel=file.channel,
                bus=file.bus,
                buses=file.buses,
                messages=file.n_messages,
                heard=n_heard,
                why_not=why_not,
            )
        )
    return tuple(uses)
