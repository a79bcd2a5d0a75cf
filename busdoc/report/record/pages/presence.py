"""The record's part on who was there: the picture and table of presence, and every stream's rhythm."""

from busdoc.analysis.overview import codes_of
from busdoc.analysis.result import Result
from busdoc.decode.j1939.can_name import read_can_name
from busdoc.health.controller import ControllerHealth
from busdoc.machine.controller_spec import Identity
from busdoc.report.record.page import Align, Block, Column, Fold, Items, Section, Table, Text, Tone
from busdoc.report.record.pictures.presence import presence_picture, shown_controllers
from busdoc.report.words.joins import box_in_words, join_in_words, stand_ins_in_words
from busdoc.times import clock
from busdoc.words.counting import counted, plural
from busdoc.words.duration import duration

__all__ = ["identity_in_words", "presence_section"]

_MOST_STREAMS = 400

_CONTROLLERS = (
    Column(name="Controller", weight=1.6),
    Column(name="Identity", weight=1.5),
    Column(name="At the end", weight=1.1),
    Column(name="Heard for", align=Align.RIGHT),
    Column(name="Silent for", align=Align.RIGHT),
    Column(name="Dropouts", align=Align.RIGHT, weight=0.8),
    Column(name="Restarts", align=Align.RIGHT, weight=0.8),
    Column(name="Codes", align=Align.RIGHT, weight=0.6),
)
_ABSENCES = (
    Column(name="Controller"),
    Column(name="Last heard"),
    Column(name="Heard again"),
    Column(name="Silent for", align=Align.RIGHT),
)
_STREAMS = (
    Column(name="Controller", weight=1.3),
    Column(name="Identifier", code=True, weight=1.2),
    Column(name="Frames", align=Align.RIGHT),
    Column(name="Period", align=Align.RIGHT),
    Column(name="Jitter", align=Align.RIGHT),
    Column(name="Missing after", align=Align.RIGHT),
    Column(name="Period from"),
)

_MOST_SAID = 60


def presence_section(result: Result) -> Section:
    """Show every controller over the whole capture."""
    controllers = result.health.controllers
    if not controllers:
        nothing = Text(text="No controller was recognised in this capture.", tone=Tone.QUIET)
        return Section(title="Controllers", anchor="controllers", blocks=(nothing,))
    blocks: list[Block] = []
    picture = presence_picture(result)
    if picture is not None:
        blocks.append(picture)
    left_out = len(controllers) - len(shown_controllers(result))
    if left_out:
        are = plural(left_out, "is", "are")
        said = f"{counted(left_out, 'controller')} without anything to show {are} in the table only."
        blocks.append(Text(text=said))
    rows = tuple(_row(result, one) for one in controllers)
    blocks.append(Table(title="Controllers", columns=_CONTROLLERS, rows=rows))
    together = [*stand_ins_in_words(controllers), *map(box_in_words, result.health.boxes)]
    if together:
        blocks.append(Items(items=tuple(together[:_MOST_SAID])))
    if result.health.joins:
        blocks.append(Text(text="Who came later:"))
        came = tuple(join_in_words(join, result) for join in result.health.joins)
        blocks.append(Items(items=came[:_MOST_SAID]))
    absences = _absences(result)
    if absences.rows:
        blocks.append(Fold(title="Every absence", blocks=(absences,)))
    streams = _streams(controllers)
    if streams.rows:
        blocks.append(Fold(title="Streams and their rhythm", blocks=(streams,)))
    return Section(title="Controllers", anchor="controllers", blocks=tuple(blocks))


def identity_in_words(identity: Identity, name: str = "", *, mapped: bool = False) -> str:
    """Say what identifies a controller on its bus; a sender that is called like the controller says nothing new.

    What a NAME says in words is for controllers that no map names.

    >>> identity_in_words(Identity(address=0x31, sender="HOPPER"))
    'address 0x31, HOPPER in the database'
    """
    said = []
    if identity.address is not None:
        said.append(f"address 0x{identity.address:02X}")
    if identity.node_id is not None:
        said.append(f"node {identity.node_id}")
    if identity.can_name is not None:
        words = "" if mapped else f" ({read_can_name(identity.can_name)})"
        said.append(f"NAME 0x{identity.can_name:016X}{words}")
    if identity.sender is not None and not (said and _alike(identity.sender, name)):
        said.append(f"{identity.sender} in the database")
    return ", ".join(said) or "its frames"


def _alike(sender: str, name: str) -> bool:
    return sender.casefold().replace("_", "-") == name.casefold().replace("_", "-")


def _row(result: Result, one: ControllerHealth) -> tuple[str, ...]:
    return (
        one.name,
        identity_in_words(one.identity, one.name, mapped=one.name in result.machine.controllers),
        str(one.state),
        duration(one.present_ns),
        duration(one.lost_ns) if one.lost_ns else "–",
        str(one.dropouts),
        str(one.restarts),
        str(codes_of(result, one.name)),
    )


def _absences(result: Result) -> Table:
    start_ns, until_ns, epoch = result.health.start_ns, result.health.until_ns, result.capture.epoch
    rows = [
        (
            one.name,
            "not since the start" if a <= start_ns else clock(a, start_ns, epoch=epoch),
            "not to the end" if b >= until_ns else clock(b, start_ns, epoch=epoch),
            duration(b - a),
        )
        for one in result.health.controllers
        for a, b in one.absences
    ]
    shown = tuple(rows[:_MOST_STREAMS])
    return Table(title="Absences", columns=_ABSENCES, rows=shown, more=len(rows) - len(shown))


def _streams(controllers: tuple[ControllerHealth, ...]) -> Table:
    rows = [
        (
            one.name,
            str(stream.key),
            f"{stream.frames:,}",
            duration(stream.period_ns) if stream.cyclic and stream.period_ns is not None else "on change",
            "–" if stream.jitter_ns is None else duration(stream.jitter_ns),
            "–" if stream.deadline_ns is None else duration(stream.deadline_ns),
            str(stream.period_from),
        )
        for one in controllers
        for stream in one.streams
    ]
    shown = tuple(rows[:_MOST_STREAMS])
    return Table(title="Streams", columns=_STREAMS, rows=shown, more=len(rows) - len(shown))
