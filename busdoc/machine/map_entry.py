"""The entries of a machine map, one function each: a table of the text becomes a record, or its mistakes are noted.

What an entry says of others by name is left to `busdoc.machine.map_check`.
"""

from collections.abc import Collection, Mapping
from dataclasses import replace
from decimal import Decimal
from types import MappingProxyType

from busdoc.errors import InputError
from busdoc.machine.condition import Condition, parse_condition
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from busdoc.machine.frame_name import parse_frame_name
from busdoc.machine.machine import Bus, CodeHint, Controller, Part, PartKind, StatusSignal, Wake
from busdoc.machine.map_problems import shown
from busdoc.machine.map_table import MapTable

__all__ = [
    "frames_of",
    "read_bus",
    "read_code",
    "read_controller",
    "read_part",
    "read_report",
    "read_status",
    "read_symptom",
    "read_wake",
    "split_place",
]

_LAST_CHANNEL = 255
_LAST_ADDRESS = 253  # 254 is the null address, 255 everybody: SAE J1939-81
_LAST_NODE_ID = 127  # CiA 301
_LAST_CAN_NAME = (1 << 64) - 1
_LAST_SPN = 0x7FFFF  # 19 bits, SAE J1939-73
_LAST_FMI = 31
_LAST_EMCY = 0xFFFF


def split_place(place: str | None) -> tuple[str | None, str | None]:
    """Split `owner:socket`; either is None when it is not given.

    >>> split_place("hopper:A"), split_place("fuse-3"), split_place(None)
    (('hopper', 'A'), ('fuse-3', None), (None, None))
    """
    owner, _, socket = (place or "").partition(":")
    return owner.strip() or None, socket.strip() or None


def read_bus(table: MapTable) -> Bus | None:
    """Read a [[bus]]; None, and the mistake noted, when it has no usable channel."""
    table.require("channel", "the channel as the capture numbers or names it")
    channel = _channel(table)
    bitrate = table.whole("bitrate", 1000, 20_000_000, "bit/s")
    data_bitrate = table.whole("data_bitrate", 1000, 20_000_000, "bit/s")
    usual_load = table.decimal("usual_load", "0", "1", "a share of the bit rate")
    usual_errors = table.decimal("usual_errors_per_min", "0", "1000000000", "error frames a minute")
    table.finish()
    if channel is None:
        return None
    return Bus(
        channel=channel,
        bitrate=bitrate,
        data_bitrate=data_bitrate,
        usual_load=None if usual_load is None else float(usual_load),
        usual_errors_per_min=None if usual_errors is None else float(usual_errors),
    )


def read_part(table: MapTable) -> Part | None:
    """Read a [[part]]; None, and the mistake noted, when its name or kind is not usable."""
    name = table.name()
    table.require("kind", f"one of: {', '.join(PartKind)}")
    kind = table.choice("kind", PartKind, "a kind of part")
    owner, socket = split_place(table.text("into"))
    swaps_with = table.texts("swaps_with")
    prior = table.decimal("prior", "0", "1", "a probability")
    signal = _signal(table, "signal")
    supply = table.text("supply")
    unsafe_live = table.flag("unsafe_live")
    safe_live = table.flag("safe_live")
    if unsafe_live and safe_live:
        table.wrong("safe_live", "one of unsafe_live and safe_live", "both", "Take one of the two lines out.")
    label = table.text("label")
    effort = table.decimal("effort_s", "0", "1000000", "seconds")
    wake = read_wake(table)
    if kind is not None and kind != PartKind.FEED and wake != Wake():
        table.wrong("kind", "a feed, since it says when its controllers speak", kind, "Take those lines out.")
    table.finish()
    if name is None or kind is None:
        return None
    return Part(
        name=name,
        kind=PartKind(kind),
        owner=owner,
        socket=socket,
        swaps_with=swaps_with,
        prior=None if prior is None else float(prior),
        signal=signal,
        supply=supply,
        unsafe_live=bool(unsafe_live),
        safe_live=bool(safe_live),
        label=label,
        effort_s=None if effort is None else float(effort),
        wake=wake,
    )


def read_wake(table: MapTable) -> Wake:
    """Read how soon the machine, or what a feed supplies, speaks after power is switched on."""
    return Wake(usual_ns=table.seconds_ns("first_frame_usually_s"), limit_ns=table.seconds_ns("first_frame_within_s"))


def read_status(table: MapTable) -> StatusSignal | None:
    """Read a [[status]]; None, and the mistake noted, when its controller or signal is not usable."""
    table.require("controller", "the controller that sends it")
    table.require("signal", "the signal as `Message.Signal`")
    controller = table.text("controller")
    signal = _signal(table, "signal")
    bad = tuple(_plain(item) for item in table.items("bad", (str, int, Decimal), "texts or numbers"))
    limits = table.items("bad_range", (int, Decimal), "numbers")
    counter = _signal(table, "counter")
    bad_range: tuple[float, float] | None = None
    if "bad_range" in table:
        ends = [float(end) for end in limits if isinstance(end, int | Decimal)]
        if len(ends) == 2 and ends[0] <= ends[1]:
            bad_range = (ends[0], ends[1])
        else:
            table.wrong("bad_range", "two numbers, the lower first", shown(list(limits)), "Write [low, high].")
    if not any(key in table for key in ("bad", "bad_range", "counter")):
        table.wrong("bad", "`bad`, `bad_range` or `counter`", "none of them", 'Add for example bad = ["FAULT"].')
    table.finish()
    if controller is None or signal is None:
        return None
    return StatusSignal(
        controller=controller,
        signal=signal,
        bad=tuple(item if isinstance(item, str) else float(item) for item in bad),
        bad_range=bad_range,
        counter=counter,
    )


def read_code(table: MapTable) -> CodeHint | None:
    """Read a [[code]]; it speaks of one code, by SPN, by emergency code or by status signal."""
    controller = table.text("controller")
    spn = table.whole("spn", 0, _LAST_SPN, "a suspect parameter number")
    fmi = table.whole("fmi", 0, _LAST_FMI, "a failure mode")
    emcy = table.whole("emcy", 0, _LAST_EMCY, "an emergency error code")
    status = _signal(table, "status")
    latches = table.flag("latches")
    if "latches" not in table:
        table.require("points_at", "the kinds or names of the parts to look at, or `latches`")
    points_at = table.texts("points_at")
    if sum(key in table for key in ("spn", "emcy", "status")) != 1:
        found = "none of them" if not any(key in table for key in ("spn", "emcy", "status")) else "several"
        table.wrong("spn", "one of `spn`, `emcy` and `status`", found, "Write one table for each code.")
    table.finish()
    return CodeHint(
        controller=controller, spn=spn, fmi=fmi, emcy=emcy, status=status, points_at=points_at, latches=latches
    )


def read_symptom(table: MapTable) -> Condition | None:
    """Read a [[symptom]]: a condition on a signal that is worth isolating, with a name."""
    name = table.name()
    table.require("when", 'the condition, as "HopperStatus.SensorSupply < 4.6"')
    when = table.text("when")
    hold_ns = table.seconds_ns("hold_s")
    controller = table.text("controller")
    latches = table.flag("latches")
    points_at = table.texts("points_at")
    table.finish()
    if name is None or when is None:
        return None
    try:
        condition = parse_condition(when, "when", name=name)
    except InputError as error:
        _, expected, found, advice = error.args
        table.wrong("when", expected, found, advice)
        return None
    return replace(
        condition,
        hold_ns=condition.hold_ns if hold_ns is None else hold_ns,
        controller=controller,
        latches=latches,
        points_at=points_at,
    )


def read_report(table: MapTable) -> Mapping[str, str | int | float | bool]:
    """Read the [report]: what the user wants printed, key by key as given."""
    fields: dict[str, str | int | float | bool] = {}
    for key in table.all_keys():
        value = table.get(key)
        if isinstance(value, str | bool):
            fields[key] = value
        elif isinstance(value, int | Decimal):
            fields[key] = _plain(value)
        elif isinstance(value, dict | list):
            table.wrong(key, "one text or number", shown(value), "Write each field on a line of its own.")
        else:  # a TOML date or time
            fields[key] = str(value)
    return MappingProxyType(fields)


def read_controller(table: MapTable, unsteady: Collection[tuple[int, bool]] = ()) -> Controller | None:
    """Read a [[controller]]; None, and the mistake noted, when its name is not usable.

    Parameters
    ----------
    unsteady : (identifier, extended) of frames that are not expected, whatever the controller's table says
    """
    name = table.name()
    feed, _ = split_place(table.text("into"))
    segment, _ = split_place(table.text("on"))
    identity = Identity(
        address=table.whole("address", 0, _LAST_ADDRESS, "a source address"),
        can_name=_can_name(table),
        node_id=table.whole("node_id", 1, _LAST_NODE_ID, "a node"),
        sender=table.text("sender"),
    )
    channel = _channel(table)
    expects = tuple(
        stream.without_period() if (stream.id, stream.extended) in unsteady else stream
        for stream in _expected_streams(table)
    )
    latches = table.flag("latches")
    back_within_ns = table.seconds_ns("back_within_s")
    back_usually_ns = table.seconds_ns("back_usually_s")
    table.items("returns_s", (int, Decimal), "seconds")  # what `baseline` learns on from, and nobody else needs
    starts_after = table.text("starts_after")
    code_layout = table.whole("code_layout", 1, 3, "an older layout of fault codes")
    prior = table.decimal("prior", "0", "1", "a probability")
    swaps_with = table.texts("swaps_with")
    unsafe_live = table.flag("unsafe_live")
    table.finish()
    if name is None:
        return None
    return Controller(
        spec=ControllerSpec(
            name=name,
            channel=channel,
            identity=identity,
            expects=expects,
            unsteady=frozenset(unsteady),
            latches=latches,
            back_within_ns=back_within_ns,
        ),
        feed=feed,
        segment=segment,
        prior=None if prior is None else float(prior),
        swaps_with=swaps_with,
        unsafe_live=bool(unsafe_live),
        back_usually_ns=back_usually_ns,
        starts_after=starts_after,
        code_layout=code_layout,
    )


def _expected_streams(table: MapTable) -> tuple[ExpectedStream, ...]:
    """Join `expects`, which gives rhythms, and `frames`, which only says whose a frame is."""
    streams: dict[tuple[int, bool], ExpectedStream] = {}
    for entry in table.tables("expects"):
        entry.require("frame", 'its identifier, as frame = "0x18FF3131"')
        raw = entry.get("frame")
        frame = parse_frame_name(raw)
        if frame is None and raw is not None:
            entry.wrong("frame", "an identifier in hexadecimal", shown(raw), _FRAME_ADVICE)
        period_ns = entry.seconds_ns("period_s")
        jitter_ns = entry.seconds_ns("jitter_s")
        entry.items("measured", (int, Decimal), "seconds")  # as `returns_s`
        entry.finish()
        if frame is not None:
            if frame in streams:
                entry.wrong("frame", "each frame once", f"{shown(raw)} again", "Take one of the two out.")
            period_from = PeriodFrom.LEARNT if period_ns is None else PeriodFrom.MAP
            streams[frame] = ExpectedStream(
                id=frame[0], extended=frame[1], period_ns=period_ns, period_from=period_from, jitter_ns=jitter_ns
            )
    for frame in frames_of(table, "frames"):
        streams.setdefault(
            frame,
            ExpectedStream(id=frame[0], extended=frame[1], period_ns=None, period_from=PeriodFrom.LEARNT),
        )
    return tuple(streams.values())


def frames_of(table: MapTable, key: str) -> tuple[tuple[int, bool], ...]:
    """Read a list of identifiers, as (identifier, extended)."""
    named = table.get(key)
    if named is not None and not isinstance(named, list):
        table.wrong(key, "a list of identifiers", shown(named), _FRAME_ADVICE)
        named = None
    found: dict[tuple[int, bool], None] = {}
    for index, raw in enumerate(named or ()):
        frame = parse_frame_name(raw)
        if frame is None:
            table.wrong_item(key, index, "an identifier in hexadecimal", shown(raw), _FRAME_ADVICE)
        else:
            found[frame] = None
    return tuple(found)


_FRAME_ADVICE = 'Write it in quotes, as "0x18FF3131" or "0x181".'


def _can_name(table: MapTable) -> int | None:
    raw = table.get("can_name")
    if isinstance(raw, str):  # a NAME with its top bit set does not fit the integers of every TOML editor
        try:
            number = int(raw, 16) if len(raw) <= 18 else -1
        except ValueError:
            number = -1
        if 0 <= number <= _LAST_CAN_NAME:
            return number
        table.wrong("can_name", "a NAME of 16 hexadecimal digits", shown(raw), 'Write it as "0xC03C82001A6F423F".')
        return None
    return table.whole("can_name", 0, _LAST_CAN_NAME, "a 64-bit NAME")


def _channel(table: MapTable) -> int | str | None:
    if isinstance(table.get("channel"), str):
        return table.text("channel")
    return table.whole("channel", 0, _LAST_CHANNEL, "a channel, by its number or its name in quotes,")


def _signal(table: MapTable, key: str) -> str | None:
    text = table.text(key)
    if text is None:
        return None
    message, dot, signal = text.partition(".")
    if dot and message.strip() and signal.strip():
        return text
    table.wrong(key, "`Message.Signal`", shown(text), "Name the message of the database, a dot, and its signal.")
    return None


def _plain(value: object) -> str | int | float:
    if isinstance(value, str | int):
        return value
    return float(value) if isinstance(value, Decimal) else str(value)
