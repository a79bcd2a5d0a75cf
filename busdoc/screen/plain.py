"""The session line by line: for a bare terminal, a screen reader, a log, or a script that types.

Each line that is typed is one command; each thing that happens is one line. Every state is a word.
"""

import re
from collections.abc import Callable, Iterator
from datetime import tzinfo

from busdoc.actions.action import POWER_KINDS, ActionKind
from busdoc.actions.words import done_in_words
from busdoc.capture.channels import PRACTICE
from busdoc.errors import InputError
from busdoc.live.bell import TerminalBell
from busdoc.live.view import Happening, HappeningKind, SessionView, SilenceAnswer
from busdoc.report.words.practice import PRACTICE_SAID
from busdoc.report.words.silence import NOBODY_HEARD
from busdoc.screen.areas.complaint import complaint_state
from busdoc.screen.drawing.words import bus_name, moment, step_text
from busdoc.screen.session import Session
from busdoc.words.duration import countdown
from busdoc.words.probability import odds

__all__ = ["PlainSession"]

_HELP = """\
next                   log the proposed step at this instant (so does an empty line)
unplug PART, plug PART [into OWNER:SOCKET], replace PART, wiggle PART, swap PART OTHER
power off | on | cycle [FEED]
undo, redo             take the last action back, or do it again
ago SECONDS            the last action was so long ago
rename OLD NEW         call a branch that no map names another name
seen [WHAT], gone      the fault shows: a lamp, the display, a noise; it is gone
complaint [WHAT]       isolate another symptom; without WHAT: list them
note TEXT, mark        keep a note, or only the moment
take, refuse           the action that the traffic looks like
lead, key, machine     no frame from anybody: own plug or adapter, key off, the machine's supply or bus
other                  propose another test
labels                 number the connectors, to be taped on
status, why, tree      how it stands; why the first suspect; what is plugged
phone                  show the code that lets a phone in, where --page was given
help, quit
A part may be given by a few of its letters, or by its number; a new branch that begins like one, in quotes: "A"."""

_SWITCHING = tuple(kind.removeprefix("power-") for kind in POWER_KINDS)


class PlainSession:
    """Turns typed lines into calls and what happens into lines.

    Parameters
    ----------
    session : what runs
    say : writes one line
    bell : hears of what happens; None: there is none
    zone : of the times of day; None: the laptop's own
    phone : shows the code that lets a phone in; None: no page is served
    """

    def __init__(
        self,
        session: Session,
        say: Callable[[str], None],
        *,
        bell: TerminalBell | None = None,
        zone: tzinfo | None = None,
        phone: Callable[[], None] | None = None,
    ) -> None:
        self._phone = phone
        self._session = session
        self._say = say
        self._bell = bell
        self._zone = zone
        self._seen = 0
        self._told_next = ""
        self._told_trouble = self._told_foreign = ""
        self._told_silence = False
        self._told_proposals: set[str] = set()
        self._typed: set[int] = set()
        """Numbers of happenings that a typed line has answered already."""
        self.left = False
        """Whether the person is done."""
        self._leaving = False

    def greet(self) -> None:
        """Say what it is about, and what to mind."""
        view = self._session.view()
        if view.practice or any(bus.name.startswith(PRACTICE) for bus in view.buses):
            self._say(PRACTICE_SAID)
        self._say(f"Session{f' on {view.machine_name}' if view.machine_name else ''}. help lists the commands.")
        for caution in view.cautions:
            self._say(f"Caution: {caution}")
        self._say(
            "Caution: the machine maker's manual and local codes come first; power off before a controller's plug."
        )
        if view.guided:
            self._say("No parts are on a map: name each branch as you go, for example: unplug A")
        if self._phone is not None:
            self._phone()

    def tell(self) -> None:
        """Say what is new since the last time."""
        view = self._session.view()
        for one in self._session.happenings(self._seen):
            self._seen = one.n
            if one.n in self._typed:
                self._typed.discard(one.n)
                continue
            self._say(self._line(one, view))
            if self._bell is not None:
                self._bell.hear([one.kind])
        if self._bell is not None:
            self._bell.tick()
        if view.foreign != self._told_foreign:
            self._told_foreign = view.foreign
            self._say(f"TROUBLE: {view.foreign}" if view.foreign else "The map is this machine's after all.")
        if view.trouble != self._told_trouble:
            self._told_trouble = view.trouble
            self._say(f"TROUBLE: {view.trouble}" if view.trouble else "The trouble is over.")
        asked = view.silence is not None and view.silence.asked and view.silence.ended_ns is None
        if asked and not self._told_silence:
            self._say(f"{NOBODY_HEARD} Which: lead, key or machine?")
        self._told_silence = asked
        for proposal in view.proposals:
            if proposal.key not in self._told_proposals:
                self._told_proposals.add(proposal.key)
                self._say(f"{self._at(proposal.action.time_ns, view)}  {proposal.text}: take or refuse?")
        following = self._next_text(view)
        if following and following != self._told_next:
            self._say(f"Next: {following}")
        self._told_next = following

    def type(self, line: str) -> None:
        """Do what was typed; what cannot be done is said in a sentence."""
        before = max((one.n for one in self._session.happenings(self._seen)), default=self._seen)
        try:
            for text in self._do(line.strip()):
                self._say(text)
        except InputError as error:
            self._say(f"Not done: {error}")
        logged = (one for one in self._session.happenings(before) if one.kind is HappeningKind.ACTION)
        self._typed.update(one.n for one in logged)

    def close(self) -> None:
        """Say how it ended."""
        view = self._session.view()
        self._say(view.headline)
        for text in view.not_back:
            self._say(f"Not back: {text}")

    def _do(self, line: str) -> Iterator[str]:
        verb, _, rest = line.partition(" ")
        verb, rest = verb.lower(), rest.strip()
        if verb not in ("quit", "exit"):
            self._leaving = False
        view = self._session.view()
        match verb:
            case "" | "next" | "n":
                action = self._session.do_next()
                yield "No step is proposed." if action is None else f"Logged: {done_in_words(action)}."
            case "unplug" | "plug" | "replace" | "wiggle":
                part, into = self._part_and_place(rest, view)
                action = self._session.act(ActionKind(verb), part, into)
                yield f"Logged: {done_in_words(action)}."
            case "swap":
                words = [word for word in re.split(r"\s+(?:with\s+|and\s+)?", rest) if word]
                if len(words) != 2:
                    raise InputError("swap", "two parts", rest or "none", "Write for example: swap harness-A harness-B")
                one, other = (self._part(word, view) for word in words)
                action = self._session.act(ActionKind.SWAP, one, other)
                yield f"Logged: {done_in_words(action)}."
            case "power":
                how, _, feed = rest.partition(" ")
                if how.lower() not in _SWITCHING:
                    raise InputError("power", "off, on or cycle", rest or "nothing", "Write for example: power cycle")
                feed = feed.strip()
                action = self._session.act(ActionKind(f"power-{how.lower()}"), self._part(feed, view) if feed else None)
                yield f"Logged: {done_in_words(action)}."
            case "undo":
                undone = self._session.undo()
                yield "Nothing to take back." if undone is None else f"Taken back: {done_in_words(undone)}."
            case "redo":
                redone = self._session.redo()
                yield "Nothing to do again." if redone is None else f"Logged: {done_in_words(redone)}."
            case "ago":
                yield self._ago(rest, view)
            case "rename":
                old, _, new = rest.partition(" ")
                self._session.rename(self._part(old, view), new)
                yield f"{old} is called {new.strip()} now."
            case "note" if rest:
                self._session.note(rest)
                yield f"Noted: {rest}"
            case "mark":
                self._session.act(ActionKind.MARK)
                yield "Marked."
            case "complaint":
                yield from self._complaint(rest, view)
            case "seen" | "gone":
                action = self._session.act(ActionKind(verb), note=rest)
                yield f"Logged: {done_in_words(action)}."
            case "take" | "refuse":
                yield self._answer(verb, view)
            case "lead" | "key" | "machine":
                action = self._session.answer_silence(SilenceAnswer(verb))
                yield f"Logged: {done_in_words(action)}."
            case "other":
                self._session.skip_test()
                yield "Another test, if there is one."
            case "labels":
                self._session.give_labels()
                for row in self._session.view().harness:
                    if row.label is not None:
                        yield f"{row.label:>4}  {row.name}"
            case "status":
                yield from self._status(view)
            case "why":
                yield view.headline
                yield from (f"  {reason}" for reason in view.why)
            case "tree":
                yield from self._tree(view)
            case "phone":
                if self._phone is None:
                    raise InputError("phone", "a page that is served", "none", "Begin with --page; --page-on lan.")
                self._phone()
            case "help":
                yield from _HELP.splitlines()
            case "quit" | "exit":
                yield from self._quit(view)
            case _:
                raise InputError("the command", "one of the list", f'"{line}"', "Type help for the list.")

    def _complaint(self, rest: str, view: SessionView) -> Iterator[str]:
        """List the symptoms, or isolate the one that is meant."""
        if not rest:
            yield from (f"  {row.text}: {row.aside}" for row in view.symptoms)
            return
        folded = rest.casefold()
        meant = [row for row in view.symptoms if folded in (row.text.casefold(), (row.name or "").casefold())]
        meant = meant or [row for row in view.symptoms if folded in row.text.casefold()]
        if len(meant) != 1:
            found = "nothing of that name" if not meant else f"{len(meant)} of that name"
            raise InputError("the complaint", "a symptom that showed", found, "Type complaint for the list.")
        self._session.isolate(meant[0].name)
        yield f"Isolating {meant[0].text}."

    def _part_and_place(self, rest: str, view: SessionView) -> tuple[str, str | None]:
        part, _, into = rest.partition(" into ")
        return self._part(part.strip(), view), into.strip() or None

    def _part(self, text: str, view: SessionView) -> str:
        """Find the part that is meant; a new name stands for itself where there is no map."""
        if not text:
            raise InputError("the part", "a name, a few letters or a number", "none", "Say which part.")
        if text.isdigit():
            labelled = [row.name for row in view.harness if row.label == int(text)]
            if labelled:
                return labelled[0]
        if view.guided and len(text) > 2 and text[0] == text[-1] == '"':
            return text[1:-1]  # a new name, whatever it begins like
        folded = text.casefold()
        begun = [row.name for row in view.harness if row.name.casefold().startswith(folded)]
        if view.guided and len(begun) == 1:
            return begun[0]
        for fits in (str.__eq__, str.startswith, str.__contains__):
            found = [row.name for row in view.harness if fits(row.name.casefold(), folded)]
            if len(found) == 1:
                return found[0]
            if view.guided and fits is str.__eq__:
                return text
            if len(found) > 1:
                raise InputError(f'"{text}"', "letters of one part", ", ".join(found[:6]), "Write more of its letters.")
        raise InputError(f'"{text}"', "a part of the map", "no such part", "Type tree for the list.")

    def _ago(self, rest: str, view: SessionView) -> str:
        try:
            seconds = float(rest)
        except ValueError:
            raise InputError("ago", "seconds", f'"{rest}"', "Write for example: ago 3") from None
        if not view.actions:
            raise InputError("ago", "an action before it", "none", "Log the action first.")
        latest = max(view.actions, key=lambda action: action.n)
        action = self._session.retime(latest.n, seconds)
        return f"{done_in_words(action).capitalize()} {seconds:g} s ago."

    def _answer(self, verb: str, view: SessionView) -> str:
        if not view.proposals:
            raise InputError(verb, "a proposal", "none", "Log the action itself.")
        proposal = view.proposals[-1]
        if verb == "refuse":
            self._session.refuse_proposal(proposal.key)
            return "Refused."
        return f"Logged: {done_in_words(self._session.take_proposal(proposal.key))}."

    def _quit(self, view: SessionView) -> Iterator[str]:
        if view.not_back and not self._leaving:
            self._leaving = True
            for text in view.not_back:
                yield f"Not back: {text}."
            yield "Type quit again to leave all the same."
            return
        self.left = True

    def _status(self, view: SessionView) -> Iterator[str]:
        for bus in view.buses:
            yield f"{bus_name(bus)}: {bus.hearing}"
        for row in view.controllers:
            state = "off, as expected" if row.expected_off else str(row.state)
            since = "" if row.since_ns is None else f" since {self._at(row.since_ns, view)}"
            fell = f", fell {row.dropouts}x" if row.dropouts else ""
            fault = f"; last: {row.last_fault}" if row.last_fault else ""
            yield f"{row.name}: {state}{since}{fell}{fault}"
        if view.complaint is not None:
            since = self._at(view.complaint.since_ns, view)
            asked = f"; {view.complaint.asked}: seen or gone" if view.complaint.asked else ""
            yield f"{view.complaint.name}: {complaint_state(view.complaint)[0]} since {since}{asked}"
        yield view.headline
        following = self._next_text(view)
        if following:
            yield f"Next: {following}"
        if view.recording:
            yield view.recording

    def _tree(self, view: SessionView) -> Iterator[str]:
        for row in view.harness:
            label = f"{row.label}: " if row.label is not None else ""
            out = "" if row.plugged else ", unplugged"
            worth = "" if row.probability is None else f", {odds(row.probability)}"
            clear = ", clear" if row.cleared else ""
            yield f"{'  ' * row.depth}{label}{row.name} ({row.kind}{out}{clear or worth})"

    def _next_text(self, view: SessionView) -> str:
        if view.watching is not None:
            if view.watching.clear_at_ns is None:
                return "watch"
            left = countdown(view.watching.clear_at_ns - view.watching.since_ns)
            return f"watch; clear after {left} without trouble"
        return "" if view.next is None else step_text(view.next)

    def _line(self, one: Happening, view: SessionView) -> str:
        return f"{self._at(one.time_ns, view)}  {one.text}"

    def _at(self, t_ns: int, view: SessionView) -> str:
        return moment(t_ns, view.start_ns, epoch=view.epoch, zone=self._zone)
