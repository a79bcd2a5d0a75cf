"""`busdoc resync --watch`: after a repair, quiet for long enough? Counted down live, or read from a recording.

Everything heavy is imported inside the command.
"""

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings, ended_by_signals
from busdoc.cli.options import databases, load_inputs, open_source, waits_s
from busdoc.cli.progress import read_with
from busdoc.cli.status_line import StatusLine
from busdoc.errors import InputError

if TYPE_CHECKING:
    from busdoc.isolation.proposals.cure import CureState, FaultRate
    from busdoc.live.resync.cure_watch import CureWatch

__all__ = ["watch_cure"]

_TICK_S = 0.1
_LINE_EVERY = 0.1


def watch_cure(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    """Watch for as long as it takes to call the machine cured, or say it of a recording.

    Raises
    ------
    InputError : a file or bus that cannot be used
    """
    from busdoc.live.resync.cure_watch import state_of
    from busdoc.report.json.document import cure_document, print_document
    from busdoc.report.words.cure import cure_text

    needed_s = _needed_s(arguments.watch)
    rate = _rate(arguments.after, surroundings)
    asked: str | None = arguments.symptom or rate.complaint
    can_be_watched(asked, arguments)
    if arguments.capture:
        from busdoc.analysis.postmortem import postmortem

        result = read_with(postmortem, arguments, surroundings, symptom=further_symptom(asked))
        state = state_of(result, rate, needed_s, asked)
    else:
        watch = _Countdown(arguments, surroundings, rate, needed_s, asked).run()
        state, result = watch.state, watch.result()
    if arguments.json:
        print_document(cure_document(result, state, rate), surroundings.stdout)
    else:
        surroundings.stdout.write(cure_text(state, rate, result.capture.channel_names) + "\n")
    return _status(state)


def further_symptom(asked: str | None) -> str | None:
    """Give what was asked for where it must be followed beside codes and the map's symptoms: what never showed is fine.

    >>> further_symptom("code:hopper"), further_symptom("HopperStatus.SensorSupply < 4.6")
    (None, 'HopperStatus.SensorSupply < 4.6')
    """
    from busdoc.machine.condition import is_condition
    from busdoc.symptoms.of_bus import is_about_bus

    return asked if asked is not None and (is_condition(asked) or is_about_bus(asked)) else None


def can_be_watched(asked: str | None, arguments: argparse.Namespace) -> None:
    """Refuse to watch for what these frames could not show.

    Raises
    ------
    InputError : what only a person sees, on a bus; a condition that nobody defines
    """
    from busdoc.machine.condition import is_condition
    from busdoc.machine.machine_map import load_machine
    from busdoc.symptoms.symptom import SymptomKind

    if asked is None:
        return
    kind = asked.partition(":")[0]
    if kind == SymptomKind.SEEN and not arguments.capture:
        advice = "Write it down with busdoc isolate (f, g), and give its session: busdoc resync SESSION --watch auto."
        raise InputError("--symptom", "something that frames can show", f'"{asked}"', advice)
    if kind in list(SymptomKind) or is_condition(asked):
        return
    names = [one.name for one in load_machine(arguments.machine).symptoms] if arguments.machine is not None else []
    statuses = [one.signal for one in load_machine(arguments.machine).statuses] if arguments.machine is not None else []
    if asked not in names and not any(asked.startswith(signal) for signal in statuses):
        advice = "Give the --machine that defines it, or write it out: code:hopper:3509/4, 'Message.Signal < 4.6'."
        raise InputError("--symptom", "a symptom of the machine map, a code or a condition", f'"{asked}"', advice)
    if not arguments.db:
        raise InputError("--symptom", "--db FILE beside what a signal tells", "none", "Add --db FILE.")


def _needed_s(text: str) -> float | None:
    if text.strip().lower() == "auto":
        return None
    try:
        minutes = float(text)
    except ValueError:
        minutes = math.nan
    if not 0 < minutes < 1e6:
        raise InputError("--watch", "minutes above 0, or auto", f'"{text}"', "Write for example --watch 30.")
    return minutes * 60.0


def _rate(after: Path | None, surroundings: Surroundings) -> "FaultRate":
    """Learn from the verdict before the repair how often the fault came; a session is analysed first."""
    from busdoc.isolation.proposals.cure import FaultRate
    from busdoc.report.json.earlier_verdict import fault_rate_of, read_verdict

    if after is None:
        return FaultRate()
    if after.is_dir():
        from busdoc.analysis.postmortem import postmortem
        from busdoc.cli.progress import Progress
        from busdoc.report.json.document import document

        with Progress(surroundings) as progress:
            return fault_rate_of(document(postmortem([after], progress=progress.add)), str(after))
    return fault_rate_of(read_verdict(after), str(after))


class _Countdown:
    """Runs the watch on a terminal: one line that is redrawn, or a line each tenth of the way."""

    def __init__(
        self,
        arguments: argparse.Namespace,
        surroundings: Surroundings,
        rate: "FaultRate",
        needed_s: float | None,
        asked: str | None,
    ) -> None:
        self._arguments = arguments
        self._rate = rate
        self._needed_s = needed_s
        self._asked = asked
        self._stream = surroundings.stderr if arguments.json else surroundings.stdout
        self._redraws = self._stream.isatty()
        self._line = StatusLine(self._stream)
        self._told = 0.0

    def run(self) -> "CureWatch":
        """Watch to the end."""
        from busdoc.live.bell import TerminalBell
        from busdoc.live.resync.cure_watch import CureWatch
        from busdoc.report.words.cure import cure_wanted
        from busdoc.words.duration import span

        arguments = self._arguments
        source = open_source(arguments)
        machine, database = load_inputs(arguments.machine, databases(arguments))
        watch = CureWatch(source, machine, database, rate=self._rate, needed_s=self._needed_s, asked=self._asked)
        pace_s = waits_s(source, _TICK_S)
        self._line.say(
            f"watching for {span(watch.state.needed_s)} {cure_wanted(watch.state)}; {self._rate.words}. "
            "Nothing is transmitted; Ctrl-C ends."
        )
        with ended_by_signals() as stopping:
            watch.start()
            try:
                while not watch.done and not stopping.is_set():
                    watch.step()
                    self._draw(watch)
                    if pace_s:
                        stopping.wait(pace_s)
            finally:
                watch.stop()
        self._line.wipe()
        bell = TerminalBell(self._stream, quiet=arguments.quiet)
        bell.hear([watch.state.outcome])
        bell.finish(stopping.wait)
        return watch

    def _draw(self, watch: "CureWatch") -> None:
        from busdoc.report.words.cure import cure_countdown

        state = watch.state
        text = cure_countdown(state)
        if self._redraws:
            self._line.draw(text)
        elif state.needed_s > 0 and state.quiet_s / state.needed_s >= self._told + _LINE_EVERY:
            self._told = state.quiet_s / state.needed_s // _LINE_EVERY * _LINE_EVERY
            self._line.say(text)


def _status(state: "CureState") -> ExitStatus:
    if state.outcome == "cured":
        return ExitStatus.HEALTHY
    return ExitStatus.COULD_NOT if state.outcome == "cut short" else ExitStatus.TROUBLE
