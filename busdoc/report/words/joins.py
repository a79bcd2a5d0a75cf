"""How those that came in mid-recording, and boxes with several addresses, are put into words."""

from collections.abc import Sequence

from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth
from busdoc.health.join import Box, Join
from busdoc.machine.controller_spec import Identity
from busdoc.report.words.incidents import event_in_words
from busdoc.times import SECOND_NS, clock
from busdoc.words.counting import counted, first_few, listed
from busdoc.words.duration import duration

__all__ = ["box_in_words", "join_in_words", "stand_ins_in_words"]

_SOON_NS = 5 * SECOND_NS
_BARE = "id 0x"


def join_in_words(join: Join, result: Result) -> str:
    """Say who came when, and after what.

    The incident that it is told to follow ended, or began, no more than five seconds before.
    """
    when = clock(join.from_ns, result.health.start_ns, epoch=result.capture.epoch)
    n = len(join.controllers)
    bare = all(name.startswith(_BARE) for name in join.controllers)
    # identifiers that come and go together stand for one another: each of them counts
    n_streams = sum(
        join.from_ns <= stream.first_ns <= join.to_ns
        for one in result.health.controllers
        if one.name in join.controllers
        for stream in one.streams
    )
    who = counted(n_streams, "identifier") if bare and n > 3 else first_few(join.controllers)
    took = f" within {duration(join.to_ns - join.from_ns)}" if n > 1 and join.to_ns > join.from_ns else ""
    tool = " (the address of a service tool or logger)" if join.tool else ""
    return f"{when}  {who}{tool} came{took}{_after(join, result)}"


def _after(join: Join, result: Result) -> str:
    """Say what ended, or began, soon before; by what it was, since not every list has numbers, or the same ones."""
    ended = [
        (max(t_ns for t_ns in (one.onset_ns, one.back_ns or 0) if t_ns <= join.from_ns), n)
        for n, one in enumerate(result.incidents)
        if one.controllers and one.code is None and one.onset_ns <= join.from_ns
    ]
    if not ended or join.from_ns - max(ended)[0] > _SOON_NS:
        return ""
    t_ns, n = max(ended)
    return f", {duration(join.from_ns - t_ns)} after {event_in_words(result.incidents[n], t_ns)}"


def box_in_words(box: Box) -> str:
    """Say which addresses are one box.

    >>> box_in_words(Box(controllers=("address 0x03", "address 0x06"), maker=33, number=1078349))
    'address 0x03 and address 0x06 are one box: maker 33, number 1078349, and they always went together'
    """
    which = f"maker {box.maker}, number {box.number}"
    return f"{listed(box.controllers)} are one box: {which}, and they always went together"


def stand_ins_in_words(controllers: Sequence[ControllerHealth]) -> list[str]:
    """Say which identifiers stand for others that come and go with them, where nobody is known to own them."""
    return [
        f"{one.name} stands for {len(one.streams)} identifiers that come and go together"
        for one in controllers
        if one.identity == Identity() and len(one.streams) > 1
    ]
