"""Simulated sessions told as a user reads them: the JSON document and the texts of a whole result.

A session of `isolation_sessions`, at the level of incidents, is given the controllers that a roll would have and a
twist: presses with another clock, no journal, no map, one feed for all; then concluded by the steps of a post-mortem.
So is one of `code_sessions`, in which nobody falls and a code, a signal or a lamp shows.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar

from busdoc.actions.action import ActionKind
from busdoc.analysis.case import CaptureFacts, Case
from busdoc.analysis.judgement import Observed
from busdoc.analysis.postmortem import judge_case
from busdoc.analysis.result import Result
from busdoc.capture.channels import ChannelTable
from busdoc.health.codes.code import code_incident
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine import Machine, PartKind
from busdoc.report.json.document import document
from busdoc.report.record.page import Block, Fold, Items, Section, Table, Text
from busdoc.report.record.pages.build import build_page
from busdoc.report.record.provenance import Provenance
from busdoc.report.terminal.terminal import Extent, render
from tests.truth.code_sessions import CodeSession, Showing, live_with_codes
from tests.truth.isolation_sessions import NS, Session, SessionKind, live_through

__all__ = ["ToldSession", "Twist", "conclude_session", "tell_session", "tell_symptom"]

_AnySession = TypeVar("_AnySession", Session, CodeSession)


class Twist(StrEnum):
    """What is otherwise than it should be."""

    PLAIN = "plain"
    PROVED = "proved"
    """The record goes on in quiet for ten minutes after the last press."""
    AHEAD = "clock a minute ahead"
    ZONE = "clock a zone off"
    NO_JOURNAL = "no journal"
    NO_MAP = "no map"
    ONE_FEED = "one feed"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToldSession:
    """What is read of one session."""

    session: Session | CodeSession
    twist: Twist
    result: Result
    tree: dict[str, Any]
    """The JSON document."""
    text: str
    """All that the terminal shows, with `--all`."""
    usual: str
    brief: str
    record: str
    """The words of the written record."""


def tell_session(kind: SessionKind, seed: int, twist: Twist = Twist.PLAIN) -> ToldSession:
    """Live through a session, and tell it."""
    session = live_through(kind, seed, broken_off=False if twist is Twist.PROVED else None)
    session = _proved(session) if twist is Twist.PROVED else _twisted(session, twist)
    return _told(session, twist, conclude_session(session))


def tell_symptom(showing: Showing, seed: int, twist: Twist = Twist.PLAIN) -> ToldSession:
    """Live through a session in which something else shows than a dropout, and tell it; no twist has it proved."""
    session = _twisted(live_with_codes(showing, seed), twist)
    raised = [
        code_incident(0, code, raised_ns, cleared_ns)
        for code in session.codes
        for raised_ns, cleared_ns in code.active_spans
    ]
    health = session.health
    incidents = sorted((*health.incidents, *raised), key=lambda incident: incident.onset_ns)
    observed = Observed(
        health=replace(health, incidents=tuple(incidents)), codes=session.codes, warnings=(), conditions=session.further
    )
    return _told(session, twist, judge_case(_case(session.machine), observed, session.actions))


def _told(session: Session | CodeSession, twist: Twist, result: Result) -> ToldSession:
    record = build_page(result, _MADE, {}, datetime(2026, 3, 2, tzinfo=UTC))
    return ToldSession(
        session=session,
        twist=twist,
        result=result,
        tree=document(result),
        text=render(result, width=100, extent=Extent.ALL),
        usual=render(result, width=100),
        brief=render(result, width=100, extent=Extent.BRIEF),
        record="\n".join(_words(record.sections)),
    )


_MADE = Provenance(command="busdoc postmortem", versions=(("busdoc", "0"),), files=())


def _words(blocks: Sequence[Block | Section]) -> Iterator[str]:
    """Give all texts of a page, whatever draws them."""
    for block in blocks:
        match block:
            case Text():
                yield block.text
            case Items():
                yield from block.items
            case Table():
                yield from (" | ".join(row) for row in block.rows)
            case Section() | Fold():
                yield block.title
                yield from _words(block.blocks)
            case _:
                pass


def _twisted(session: _AnySession, twist: Twist) -> _AnySession:
    match twist:
        case Twist.AHEAD:
            return _shifted(session, 60)
        case Twist.ZONE:
            return _shifted(session, 7200)
        case Twist.NO_JOURNAL:
            return replace(session, actions=())
        case Twist.NO_MAP:
            return replace(session, machine=Machine())
        case Twist.ONE_FEED:
            return replace(session, machine=_on_one_feed(session.machine))
    return session


def _proved(session: Session) -> Session:
    until_ns = session.until_ns + 600 * NS
    still_away = any(one.back_ns is None for one in session.health.incidents)
    mended = any(action.kind is ActionKind.REPLACE for action in session.actions)
    if still_away or not mended:
        return session
    return replace(session, until_ns=until_ns, health=replace(session.health, until_ns=until_ns))


def _shifted(session: _AnySession, ahead_s: int) -> _AnySession:
    actions = tuple(replace(one, time_ns=one.time_ns + ahead_s * NS) for one in session.actions)
    return replace(session, actions=actions)


def _on_one_feed(machine: Machine) -> Machine:
    feeds = [name for name, part in machine.parts.items() if part.kind is PartKind.FEED]
    root = next(name for name in feeds if machine.parts[name].owner is None)
    parts = {name: part for name, part in machine.parts.items() if name not in feeds or name == root}
    controllers = {name: replace(one, feed=root) for name, one in machine.controllers.items()}
    return replace(machine, parts=parts, controllers=controllers)


def conclude_session(session: Session) -> Result:
    """Conclude a session by the steps of a post-mortem."""
    health = session.health
    known = {one.name: one for one in health.controllers}
    names = [*session.machine.controllers, *(name for one in health.incidents for name in one.controllers)]
    controllers = tuple(
        known.get(name) or _heard(name, health.incidents, health.start_ns, health.until_ns)
        for name in dict.fromkeys(names)
    )
    observed = Observed(health=replace(health, controllers=controllers), codes=(), warnings=())
    return judge_case(_case(session.machine), observed, session.actions)


def _case(machine: Machine) -> Case:
    return Case(machine=machine, channels=ChannelTable(), facts=CaptureFacts(channel_names=((0, "can0"),)))


def _heard(name: str, incidents: tuple[Incident, ...], start_ns: int, until_ns: int) -> ControllerHealth:
    own = [loss for one in incidents for loss in one.losses if loss.controller == name]
    away = tuple((loss.last_seen_ns, until_ns if loss.back_ns is None else loss.back_ns) for loss in own)
    lost_ns = sum(b - a for a, b in away)
    return ControllerHealth(
        name=name,
        channel=0,
        identity=Identity(),
        frames=1,
        streams=(),
        state=ControllerState.LOST if own and own[-1].back_ns is None else ControllerState.STEADY,
        present_ns=until_ns - start_ns - lost_ns,
        lost_ns=lost_ns,
        dropouts=sum(one.kind is IncidentKind.DROPOUT and name in one.controllers for one in incidents),
        restarts=0,
        absences=away,
        first_ns=start_ns,
        last_ns=until_ns,
    )
