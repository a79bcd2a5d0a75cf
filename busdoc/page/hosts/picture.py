"""The view of a live session in JSON's terms: what the screen's areas say, part by part; nothing is worked out here."""

from collections.abc import Mapping
from datetime import tzinfo

from busdoc.actions.action import POWER_KINDS, Action, ActionKind
from busdoc.actions.words import done_in_words, question_in_words
from busdoc.live.view import ControllerRow, SessionView, SilenceAnswer
from busdoc.page.aloud import aloud
from busdoc.report.words.practice import PRACTICE_MARK
from busdoc.report.words.silence import NOBODY_HEARD, WHAT_IT_WAS
from busdoc.screen.areas.big_view import in_question, state_in_short
from busdoc.screen.areas.head import trouble_texts
from busdoc.screen.areas.next_step import hold_in_words, said_without_step, wait_in_words
from busdoc.screen.asking import Choice
from busdoc.screen.drawing.states import sign_of
from busdoc.screen.drawing.words import bus_name, moment, step_cautions, step_text, verdict_in_short
from busdoc.screen.parts import choices_for, partners_of
from busdoc.screen.step_press import current_step
from busdoc.words.duration import in_column
from busdoc.words.sentence import capital

__all__ = ["isolate_picture"]

_MOST_DONE = 30
_VERBS = (
    ActionKind.UNPLUG,
    ActionKind.PLUG,
    ActionKind.SWAP,
    ActionKind.REPLACE,
    ActionKind.WIGGLE,
    *POWER_KINDS,
)

_REMARKS = (
    ("Mark this moment", {"what": "act", "action": str(ActionKind.MARK)}),
    ("Note or photograph, with what was done last", {"what": "note"}),
    (question_in_words(ActionKind.SEEN), {"what": "act", "action": str(ActionKind.SEEN)}),
    (question_in_words(ActionKind.GONE), {"what": "act", "action": str(ActionKind.GONE)}),
)

Json = Mapping[str, object]


def isolate_picture(view: SessionView, zone: tzinfo | None) -> Json:
    """Give the parts of the page.

    Parameters
    ----------
    zone : of the times of day; None: the laptop's own
    """
    text, tone = state_in_short(view)
    short, named = verdict_in_short(view)
    left, waits_for = wait_in_words(view)
    return {
        "head": {"title": view.machine_name or "busdoc", "notes": _notes(view)},
        "clock": moment(view.now_ns, view.start_ns, epoch=view.epoch, zone=zone),
        "troubles": trouble_texts(view),
        "state": {"text": text, "tone": str(tone), "mark": _mark(view)},
        "roll": [_controller(row, view.now_ns) for row in view.controllers],
        "step": _step(view),
        "wait": {"left": left, "text": waits_for},
        "verdict": {"short": short, "tone": "bad" if named else "strong", "text": view.headline},
        "asks": _asks(view),
        "out": [capital(text) for text in view.not_back],
        "done": [_done(action, view, zone) for action in reversed(view.actions[-_MOST_DONE:])],
        "menu": _menu(view),
    }


def _notes(view: SessionView) -> list[str]:
    notes = [PRACTICE_MARK] if view.practice else []
    notes += [f"{bus_name(bus)} {bus.hearing}" for bus in view.buses]
    if view.finished:
        notes.append("the recording is over")
    return notes + ([view.recording] if view.recording else [])


def _mark(view: SessionView) -> str:
    row = in_question(view)
    return "" if row is None else sign_of(row).mark


def _controller(row: ControllerRow, now_ns: int) -> Json:
    sign = sign_of(row)
    fault = "" if row.last_fault == "lost" else row.last_fault
    return {
        "name": row.name,
        "mark": sign.mark,
        "word": sign.word,
        "tone": str(sign.tone),
        "since": "" if row.since_ns is None else in_column(now_ns - row.since_ns),
        "aside": fault or (f"fell {row.dropouts}×" if row.dropouts else ""),
    }


def _step(view: SessionView) -> Json:
    """Give the one large button, or what stands in its place."""
    following, step = view.next, current_step(view)
    text = "" if following is None else step_text(following)
    if following is None or step is None or not text:
        said, tone = said_without_step(view, "below")
        return {"said": " ".join(said), "tone": str(tone), "say": aloud(" ".join(said))}
    n = len(following.steps_text)
    after = [one[:1].lower() + one[1:] for one in following.steps_text[following.step + 1 :]]
    return {
        "text": text,
        "say": aloud(text),
        "which": f"step {following.step + 1} of {n}" if n > 1 else "one step",
        "after": after,
        "held": hold_in_words(view),
        "cautions": list(step_cautions(following)),
        "press": {
            "what": "step",
            "action": str(step.action),
            **({"part": step.part} if step.part is not None else {}),
            **({"into": step.into} if step.into is not None else {}),
        },
    }


def _asks(view: SessionView) -> list[Json]:
    """Give the questions that stand: what a silence is, actions that the traffic looks like, numbers to tape on."""
    asks: list[Json] = []
    if view.silence is not None and view.silence.asked:
        answers = [
            {"text": capital(text), "press": {"what": "silence", "key": str(answer)}}
            for answer, text in zip(SilenceAnswer, WHAT_IT_WAS, strict=True)
        ]
        asks.append({"text": NOBODY_HEARD, "answers": answers})
    for proposal in view.proposals[:3]:
        answers = [
            {"text": "Yes", "press": {"what": "take", "key": proposal.key}},
            {"text": "No", "press": {"what": "refuse", "key": proposal.key}},
        ]
        asks.append({"text": f"{capital(proposal.text)}?", "answers": answers})
    return asks


def _done(action: Action, view: SessionView, zone: tzinfo | None) -> Json:
    return {
        "n": action.n,
        "at": moment(action.time_ns, view.start_ns, epoch=view.epoch, zone=zone),
        "text": done_in_words(action),
        "by": action.by if str(action.origin) == "journal" else "the traffic showed it",
    }


def _menu(view: SessionView) -> list[Json]:
    """Give what else can be logged, each with the parts that it may be about, likeliest first."""
    menu: list[Json] = []
    for kind in _VERBS:
        what = "cycle" if kind is ActionKind.POWER_CYCLE else "act"
        entry: dict[str, object] = {
            "text": question_in_words(kind),
            "press": {"what": what, "action": str(kind)},
            "parts": [_choice(one) for one in choices_for(kind, view)],
            "new": view.guided and kind not in POWER_KINDS,
        }
        if kind is ActionKind.SWAP:
            names = [one.value for one in choices_for(kind, view) if one.value is not None]
            entry["with"] = {name: [one.value for one in partners_of(name, view)] for name in names}
        menu.append(entry)
    menu += [{"text": text, "press": press, "writes": True} for text, press in _REMARKS]
    if not view.labels_given and view.harness:
        menu.append({"text": "Give numbers to tape on", "press": {"what": "labels"}})
    menu.append({"text": "Propose another test", "press": {"what": "other"}})
    return menu


def _choice(choice: Choice) -> Json:
    label = "" if choice.label is None else f"no. {choice.label}"
    return {
        "text": choice.text,
        "part": choice.value or "",
        "aside": ", ".join(text for text in (label, choice.aside) if text),
    }
