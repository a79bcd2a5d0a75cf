"""The record's part on how it was found and what that assumes, and the cautions."""

from busdoc.report.page import Block, Items, Section, Text, Tone
from busdoc.report.result import Result

__all__ = ["cautions_section", "method_section"]

_METHOD = (
    "Who should be there comes from the machine map, else from the database, else from what the open protocols say "
    "(address claims, heartbeats), else from the identifiers that the capture shows.",
    "A controller counts as lost when all its cyclic streams have been silent for longer than they ever should: each "
    "stream's limit is set from its own rhythm. The loss lies between the last frame heard and the first one missed.",
    "A controller that kept running resumes in phase and with its counters in step; one that restarted announces "
    "itself, begins its counters anew, and comes back at a random phase. The evidence is combined into a probability. "
    "Kept running points to the bus wiring or the recorder's own lead, restarted to supply or to a reset.",
    "Which action an incident answers to is weighed over all recorded actions and 'none of them': by the time between "
    "the two, both of which are written down with error, and by what the action can do at all on this machine. An "
    "incident that the action alone explains (its power or its plug was taken away) is called expected.",
    "Which part it is: each trial says which parts hung on the controller and whether trouble showed, and when. Sets "
    "of up to three faulty parts are weighed against all trials, over fault rates from 'at once' to 'once an hour'. A "
    "part is cleared only when the waiting time with it plugged in has earned it.",
)
_ASSUMPTIONS = (
    "Trouble shows at a steady rate while the faulty part is connected; a fault that needs heat, vibration or load "
    "shows only while they are there, and quiet waiting without them clears nothing.",
    "The map is right about what hangs on what. If it is not, the suspect is 'elsewhere' at best and a wrong part at "
    "worst.",
    "The times in the journal are right within the error given there.",
    "The prior odds of parts are those of the map, else those usual for their kind.",
    "busdoc listened only. It says nothing about what cannot be seen on the bus.",
)


def method_section() -> Section:
    """Say in half a page how the result was found, and what that assumes."""
    blocks: tuple[Block, ...] = (
        *(Text(text=text) for text in _METHOD),
        Text(text="It assumes:"),
        Items(items=_ASSUMPTIONS),
    )
    return Section(title="How it was found", anchor="method", blocks=blocks)


def cautions_section(result: Result) -> Section:
    """Give the machine's own cautions and the usual ones."""
    return Section(title="Cautions", anchor="cautions", blocks=(Items(items=result.cautions(), tone=Tone.CAUTION),))
