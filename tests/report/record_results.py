"""Results made by hand, for the tests of the written record."""

from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.analysis.case import CaptureFacts, SkippedInput
from busdoc.analysis.result import Result
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.controller import ControllerHealth, ControllerState, StreamHealth, StreamKey
from busdoc.health.incident import FramesAround, Gap, GapKind, Incident, IncidentKind, Loss, RanOn
from busdoc.health.summary import Health, WireLoad
from busdoc.isolation.verdict import ELSEWHERE, Because, IsolationVerdict, NextTest, Outcome, Step, Suspect, Trial
from busdoc.machine.controller_spec import Identity, PeriodFrom
from busdoc.machine.machine import Machine
from busdoc.resync_check.changes import Change, ChangeKind
from busdoc.resync_check.records import ControllerReturn, FoundBy, PowerUp, PowerUpReturn, ReturnFault, ReturnVerdict

S = 10**9
START_NS = 1_700_000_000 * S


def controller(
    name: str, *, absences: tuple[tuple[int, int], ...] = (), length_s: int = 600, address: int = 0x31
) -> ControllerHealth:
    """A controller that was heard from the start; `absences` in seconds."""
    away = tuple((START_NS + a * S, START_NS + b * S) for a, b in absences)
    stream = StreamHealth(
        key=StreamKey(channel=0, extended=True, id=0x18FF3100 | address),
        frames=length_s * 10,
        cyclic=True,
        period_ns=S // 10,
        jitter_ns=400_000,
        deadline_ns=S // 2,
        period_from=PeriodFrom.LEARNT,
        first_ns=START_NS,
        last_ns=START_NS + length_s * S,
    )
    lost_ns = sum(b - a for a, b in away)
    return ControllerHealth(
        name=name,
        channel=0,
        identity=Identity(address=address),
        frames=length_s * 10,
        streams=(stream,),
        state=ControllerState.STEADY,
        present_ns=length_s * S - lost_ns,
        lost_ns=lost_ns,
        dropouts=len(away),
        restarts=0,
        first_ns=START_NS,
        last_ns=START_NS + length_s * S,
        absences=away,
    )


def dropout(name: str, at_s: float, away_s: float, *, ran_on: RanOn = RanOn.RESTARTED) -> Incident:
    """One controller lost `at_s` after the start and back `away_s` later."""
    last_ns = START_NS + round(at_s * S)
    back_ns = last_ns + round(away_s * S)
    frames = FramesAround(
        stream=StreamKey(channel=0, extended=True, id=0x18FF3131),
        before=tuple((last_ns - k * S // 10, bytes([k, 0xFF])) for k in (3, 2, 1, 0)),
        after=((back_ns, b"\x00\xff"), (back_ns + S // 10, b"\x01\xff")),
    )
    loss = Loss(
        controller=name,
        last_seen_ns=last_ns,
        onset_ns=last_ns + S // 10,
        back_ns=back_ns,
        steady_ns=back_ns + S // 2,
        ran_on=ran_on,
        p_restarted=0.98 if ran_on is RanOn.RESTARTED else 0.03,
        evidence=("address claimed again", "1 counter began anew"),
        frames=(frames,),
    )
    return Incident(
        kind=IncidentKind.DROPOUT,
        channel=0,
        controllers=(name,),
        last_seen_ns=loss.last_seen_ns,
        onset_ns=loss.onset_ns,
        back_ns=loss.back_ns,
        steady_ns=loss.steady_ns,
        ran_on=loss.ran_on,
        p_restarted=loss.p_restarted,
        losses=(loss,),
    )


def wire(length_s: int, *, errors_at_s: tuple[int, ...] = ()) -> WireLoad:
    """A channel at about 30 % load."""
    frames = np.full(length_s, 500, np.int64)
    errors = np.zeros(length_s, np.int64)
    errors[list(errors_at_s)] = 3
    load = 0.3 + 0.02 * np.sin(np.arange(length_s))
    return WireLoad(
        channel=0,
        bitrate=250_000,
        second_ns=START_NS + np.arange(length_s, dtype=np.int64) * S,
        frames=frames,
        error_frames=errors,
        bits=(load * 250_000).astype(np.int64),
        load=load,
        mean_load=float(load.mean()),
        peak_load=float(load.max()),
        error_states=((START_NS + 3 * S, "error passive on receive"),) if errors_at_s else (),
    )


def clean() -> Result:
    """A healthy machine, nothing done to it."""
    length_s = 600
    health = Health(
        start_ns=START_NS,
        until_ns=START_NS + length_s * S,
        frames=18_000,
        error_frames=0,
        controllers=(controller("engine", address=0), controller("steering", address=0x13), controller("hopper")),
        incidents=(),
        gaps=(),
        wire=(wire(length_s),),
    )
    return Result(
        capture=CaptureFacts(
            files=(Path("clean.log"),),
            epoch=True,
            channel_names=((0, "can0"),),
            channel_frames=((0, 18_000),),
            skipped_lines=0,
            skipped=(),
        ),
        machine=Machine(),
        health=health,
        incidents=(),
        actions=(),
        because=(),
    )


def one_branch() -> Result:
    """A session with one culprit: expected losses, one that answers to a plug, codes, trials and suspects."""
    result = clean()
    expected, caused = dropout("hopper", 100, 12), dropout("hopper", 300, 45.5)
    gap = Gap(channel=None, from_ns=START_NS + 500 * S, to_ns=START_NS + 505 * S, kind=GapKind.CAPTURE_GAP, why="cut")
    lost = Incident(
        kind=IncidentKind.CAPTURE_GAP,
        channel=None,
        controllers=(),
        last_seen_ns=gap.from_ns,
        onset_ns=gap.from_ns,
        back_ns=gap.to_ns,
        steady_ns=None,
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
        why=("the recorder's buffer overran",),
    )
    incidents = (expected, caused, lost)
    code = FaultCode(
        controller="hopper",
        kind=CodeKind.SPN_FMI,
        code="SPN 3509 FMI 4",
        text="voltage below normal, or shorted to low source",
        occurrences=2,
        first_ns=START_NS + 299 * S,
        last_ns=START_NS + 350 * S,
        active=False,
        active_spans=((START_NS + 299 * S, START_NS + 330 * S), (START_NS + 345 * S, START_NS + 350 * S)),
        points_at=("sensor", "harness"),
    )
    return replace(
        result,
        machine=Machine(
            name="Street sweeper 7",
            cautions=("Prop the hopper before working under it.",),
            report=MappingProxyType({"serial": "SW-000-7", "hours": 4211}),
        ),
        health=replace(
            result.health,
            controllers=(
                controller("engine", address=0),
                controller("steering", address=0x13),
                controller("hopper", absences=((100, 112), (300, 345))),
            ),
            incidents=incidents,
            gaps=(gap,),
            error_frames=6,
            wire=(wire(600, errors_at_s=(300, 301)),),
        ),
        incidents=incidents,
        actions=(
            _action(1, 100.4, ActionKind.POWER_CYCLE, None),
            _action(2, 299.0, ActionKind.PLUG, "harness-B", into="hopper:B", note="clicked home"),
            _action(3, 450.0, ActionKind.MARK, None, note="rain began"),
            _action(4, 480.0, ActionKind.REPLACE, "gate-angle"),
        ),
        because=(
            Because(incident=0, action=1, probability=0.99, spontaneous=0.01, lag_ns=-400_000_000, expected=True),
            Because(incident=1, action=2, probability=0.93, spontaneous=0.07, lag_ns=1_100_000_000, expected=False),
            Because(incident=2, action=None, probability=0.0, spontaneous=1.0, lag_ns=None, expected=False),
        ),
        codes=(code,),
        isolation=_verdict(),
        changes=(Change(kind=ChangeKind.SLOWER, text="hopper is in step after 11.2 s, it used to take 2.4 s"),),
        resync=(power_up(112, hopper_in_step_s=11.25), power_up(520, hopper_in_step_s=2.5)),
        capture=replace(
            result.capture,
            skipped_lines=2,
            skipped=(SkippedInput(file="clean.log", line=17, reason="an odd number of digits"),),
        ),
        warnings=("clean.log: breaks off in the middle of a line",),
    )


def _action(
    n: int, at_s: float, kind: ActionKind, part: str | None, *, into: str | None = None, note: str = ""
) -> Action:
    return Action(
        n=n,
        time_ns=START_NS + round(at_s * S),
        uncertainty_ns=S,
        kind=kind,
        part=part,
        into=into,
        origin=Origin.JOURNAL,
        note=note,
    )


def _verdict() -> IsolationVerdict:
    trials = tuple(
        Trial(
            from_ns=START_NS + a * S,
            to_ns=START_NS + b * S,
            controller="hopper",
            exposed=exposed,
            outcome=outcome,
            shown_after_ns=shown,
        )
        for a, b, exposed, outcome, shown in (
            (112, 299, ("harness-A", "gate-angle"), Outcome.QUIET, None),
            (299, 300, ("harness-A", "gate-angle", "harness-B", "lid-angle"), Outcome.TROUBLE, 1_100_000_000),
        )
    )
    suspects = (
        Suspect(part="lid-angle", probability=0.86, cleared=False, why=("trouble 1.1 s after it was plugged in",)),
        Suspect(part="harness-B", probability=0.11, cleared=False, why=("exposed in the same trial",)),
        Suspect(part="gate-angle", probability=0.02, cleared=True, why=("exposed and quiet for 3 min 7 s",)),
        Suspect(part=ELSEWHERE, probability=0.01, cleared=False, why=()),
    )
    test = NextTest(
        steps=(Step(action=ActionKind.POWER_OFF, part=None), Step(action=ActionKind.UNPLUG, part="lid-angle")),
        watch_ns=180 * S,
        gain_bits=0.52,
        effort_s=240.0,
        tells="If the hopper stays in step, the sensor is at fault; if not, its harness.",
        cautions=("Power off before the connector is touched.",),
    )
    return IsolationVerdict(at_ns=START_NS + 600 * S, trials=trials, suspects=suspects, next_tests=(test,))


def power_up(at_s: float, *, hopper_in_step_s: float | None, feed: str | None = None) -> PowerUpReturn:
    """A power-up after which the engine came back in time, and the hopper as told; its limit is 8 s."""

    def came(name: str, in_step_s: float | None, limit_s: float) -> ControllerReturn:
        late = in_step_s is None or in_step_s > limit_s
        return ControllerReturn(
            name=name,
            first_ns=START_NS + round((at_s + 0.4) * S),
            identified_ns=START_NS + round((at_s + 0.4) * S),
            steady_ns=None if in_step_s is None else START_NS + round((at_s + in_step_s) * S),
            streams=(),
            restarts_ns=(),
            fell_again=False,
            codes=(),
            can_name=None,
            expected_name=None,
            moved_to=None,
            limit_ns=round(limit_s * S),
            usual_ns=None,
            faults=(ReturnFault.SLOW,) if late else (),
            reasons=(f"not in step within {limit_s:.0f} s",) if late else (),
            verdict=ReturnVerdict.FAIL if late else ReturnVerdict.PASS,
        )

    return PowerUpReturn(
        power_up=PowerUp(
            time_ns=START_NS + round(at_s * S),
            zero_ns=START_NS + round(at_s * S),
            off_ns=START_NS + round((at_s - 10) * S),
            until_ns=START_NS + 600 * S,
            ends_capture=True,
            feed=feed,
            controllers=("engine", "hopper"),
            found_by=FoundBy.JOURNAL,
        ),
        controllers=(came("engine", 1.7, 5.0), came("hopper", hopper_in_step_s, 8.0)),
    )


def intermittent(n_incidents: int = 200, hours: int = 10) -> Result:
    """Hours of recording with many dropouts of few controllers and nobody near."""
    result = clean()
    length_s = hours * 3600
    rng = np.random.default_rng(7)
    at_s = np.sort(rng.uniform(60, length_s - 60, n_incidents))
    names = ("hopper", "fan", "water")
    incidents = tuple(
        dropout(names[k % 3], float(t), 2.0 + 0.01 * k, ran_on=RanOn.KEPT_RUNNING if k % 3 == 1 else RanOn.RESTARTED)
        for k, t in enumerate(at_s)
    )
    fallen = {name: tuple((int(t), int(t) + 3) for k, t in enumerate(at_s) if names[k % 3] == name) for name in names}
    controllers = (
        controller("engine", address=0, length_s=length_s),
        *(controller(name, absences=fallen[name], length_s=length_s, address=0x30 + k) for k, name in enumerate(names)),
    )
    return replace(
        result,
        health=replace(
            result.health,
            until_ns=START_NS + length_s * S,
            frames=20_000_000,
            controllers=controllers,
            incidents=incidents,
            wire=(wire(length_s, errors_at_s=(100, 9000)),),
        ),
        incidents=incidents,
        because=tuple(
            Because(incident=k, action=None, probability=0.0, spontaneous=1.0, lag_ns=None, expected=False)
            for k in range(n_incidents)
        ),
    )


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>$\\frac{1}{2}$ & \"'\u202egpj\x00"


def hostile() -> Result:
    """A result in which every text from outside tries to break out of the page."""
    result = one_branch()
    controllers = tuple(replace(one, name=HOSTILE + one.name) for one in result.health.controllers)
    losses = tuple(
        replace(
            one,
            controllers=(HOSTILE,),
            losses=tuple(replace(loss, controller=HOSTILE, evidence=(HOSTILE,)) for loss in one.losses),
            why=(HOSTILE,),
        )
        for one in result.incidents
    )
    assert result.isolation is not None
    return replace(
        result,
        machine=Machine(name=HOSTILE, cautions=(HOSTILE,), report=MappingProxyType({HOSTILE: HOSTILE})),
        health=replace(result.health, controllers=controllers, warnings=(HOSTILE,)),
        incidents=losses,
        actions=tuple(replace(one, part=HOSTILE, note=HOSTILE) for one in result.actions),
        codes=tuple(replace(one, controller=HOSTILE, code=HOSTILE, text=HOSTILE) for one in result.codes),
        isolation=replace(
            result.isolation,
            suspects=tuple(replace(one, part=HOSTILE, why=(HOSTILE,)) for one in result.isolation.suspects),
            trials=tuple(replace(one, exposed=(HOSTILE,)) for one in result.isolation.trials),
        ),
        resync=tuple(
            replace(
                one,
                controllers=tuple(replace(c, name=HOSTILE + c.name, reasons=(HOSTILE,)) for c in one.controllers),
                new=(HOSTILE,),
            )
            for one in result.resync
        ),
        capture=replace(
            result.capture,
            channel_names=((0, HOSTILE),),
            files=(Path(HOSTILE.replace("/", "").replace("\x00", "")),),
            skipped=tuple(replace(one, file=HOSTILE, reason=HOSTILE) for one in result.capture.skipped),
        ),
        warnings=(HOSTILE,),
    )
