"""The next best thing to give beside a recording: one sentence, for whoever gave little."""

import shlex

from busdoc.analysis.result import Result

__all__ = ["next_input_in_words"]


def next_input_in_words(result: Result) -> str | None:
    """Say what would answer most of what is still open; None: nothing is missing, or no recording was read.

    A map comes first: without one no part is named. Then the database, then the journal.
    """
    if result.recorded is None:
        return None
    if result.machine_file is None:
        files = result.capture.files
        command = f"busdoc baseline {shlex.quote(str(files[0]))}{' …' if len(files) > 1 else ''} -o machine.toml"
        if not result.trouble:
            return f"To judge the next recording by this one, have a map made of it: {command}."
        return f"A map of the machine would tell which part: {command} begins one from this recording."
    if not result.databases:
        return "A message database (--db FILE) would add names, expected periods and what the signals say."
    if result.journal_file is None and not result.actions and result.trouble:
        return "A journal of what was done (--actions FILE) would tell which action did it."
    return None
