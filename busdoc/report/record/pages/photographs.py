"""The record's photographs: those that notes name, opened anew and made small, each with what was done then."""

from collections.abc import Iterator

from busdoc.actions.words import done_in_words
from busdoc.analysis.result import Result
from busdoc.errors import InputError
from busdoc.files.given import read_given
from busdoc.files.photograph import MOST_BYTES, upright_jpeg
from busdoc.report.record.page import Block, Photograph, Text, Tone
from busdoc.times import clock
from busdoc.words.counting import counted

__all__ = ["photographs"]

_MOST_PHOTOGRAPHS = 24


def photographs(result: Result) -> Iterator[Block]:
    """Show the photographs that notes name, each with the action it was taken at."""
    actions = {action.n: action for action in result.actions}
    for n, path in result.photographs[:_MOST_PHOTOGRAPHS]:
        at = clock(actions[n].time_ns, result.health.start_ns, epoch=result.capture.epoch)
        text = f"No. {n}, {at}: {done_in_words(actions[n])}"
        try:
            data = read_given(path, "a photograph", most_bytes=MOST_BYTES, advice="Take a smaller one.")
            jpeg, width, height = upright_jpeg(data)
        except InputError as error:
            yield Text(text=f"{text}. It cannot be shown: {error}", tone=Tone.CAUTION)
            continue
        yield Photograph(text=text, jpeg=jpeg, width=width, height=height)
    more = len(result.photographs) - _MOST_PHOTOGRAPHS
    if more > 0:
        yield Text(text=f"{counted(more, 'more photograph')} in the session's folder.")
