"""Puts the streams of a capture together as controllers.

Owned streams belong to their spec, source address or proven CANopen node (`busdoc.health.roll.roll`); the others are
put together where they vanish and return together (`busdoc.health.presence.common_loss`). A controller is named after
its spec, else ``address 0x31``, ``node 5`` or ``id 0x1D0`` (the lowest identifier of a group); on any channel but the
first one heard the channel's name follows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busdoc.decode.protocols.sign import Sign
from busdoc.health.presence.common_loss import UnownedStream, group_by_common_loss
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence, RecorderGaps, find_lost
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.observations import Observations
from busdoc.health.roll.roll import Owner, OwnerKind
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import Identity

__all__ = ["channel_silences", "group_streams"]


def group_streams(
    observed: Observations,
    cyclic: Mapping[int, CyclicStream],
    until_ns: int,
    gaps_of: Mapping[int, RecorderGaps],
) -> list[JudgedController]:
    """Put streams together as controllers, in the order of the specs, then of their first frames.

    Parameters
    ----------
    observed : what was kept of the capture
    cyclic : the cyclic streams, by their numbers
    until_ns : how far was listened
    gaps_of : of the recorder, by channel
    """
    names_of = _names_by_address(observed)
    rows_of, unowned = _by_owner(observed, names_of)
    n_specs = len(observed.roll.specs)
    order = sorted(rows_of, key=lambda owner: owner[2] if owner[0] == OwnerKind.SPEC else n_specs)
    controllers = [_of_owner(observed, owner, rows_of[owner], cyclic, names_of) for owner in order]
    groups = sorted(_unowned_groups(observed, unowned, cyclic, until_ns, gaps_of))
    return controllers + [_of_nobody(observed, rows, cyclic, until_ns) for rows in groups]


def channel_silences(observed: Observations, channel: int) -> list[Silence]:
    """Give when nothing was heard on a channel, ascending; the last silence still lasts, if only just begun."""
    row = observed.channel_row[channel]
    return [*observed.channels.silences(row), observed.channels.open_silence(row)]


def _names_by_address(observed: Observations) -> dict[tuple[int, int], int]:
    """Give the last NAME claimed for each (channel, address); who cannot claim comes from nobody's address."""
    return {
        (sign.channel, sign.address): sign.can_name
        for sign in observed.signs
        if sign.address is not None and sign.can_name is not None
    }


def _by_owner(
    observed: Observations, names_of: Mapping[tuple[int, int], int]
) -> tuple[dict[Owner, list[int]], list[int]]:
    """Give the streams of each owner, in the order of their first frames, and those that nobody owns."""
    proven = observed.proven_nodes()
    spec_of_name: dict[int | None, int] = {
        spec.identity.can_name: number
        for number, spec in enumerate(observed.roll.specs)
        if spec.identity.can_name is not None and spec.identity.address is None
    }
    rows_of: dict[Owner, list[int]] = {}
    unowned: list[int] = []
    for row, owner in enumerate(observed.owners):
        # a 29-bit identifier of nobody comes from the null address: no controller
        if owner is None:
            if not observed.keys[row].extended:
                unowned.append(row)
            continue
        # a node only counts once error control has proven it; an address may have claimed the NAME of a spec
        kind, channel, number = owner
        if kind == OwnerKind.NODE and (channel, number) not in proven:
            unowned.append(row)
            continue
        if kind == OwnerKind.ADDRESS:
            named = spec_of_name.get(names_of.get((channel, number)))
            if named is not None and observed.roll.is_on(observed.roll.specs[named], channel):
                owner = (OwnerKind.SPEC, -1, named)
        rows_of.setdefault(owner, []).append(row)
    return rows_of, unowned


def _of_owner(
    observed: Observations,
    owner: Owner,
    rows: list[int],
    cyclic: Mapping[int, CyclicStream],
    names_of: Mapping[tuple[int, int], int],
) -> JudgedController:
    """Make one controller of the streams of a spec, an address or a node."""
    kind, _, number = owner
    channel = observed.keys[rows[0]].channel
    spec = None
    if kind == OwnerKind.SPEC:
        spec = observed.roll.specs[number]
        name, identity = spec.name, spec.identity
        addresses = {observed.keys[row].id & 0xFF for row in rows if observed.keys[row].extended}
        if identity.address is None and len(addresses) == 1 and identity.can_name is not None:
            identity = replace(identity, address=addresses.pop())
    elif kind == OwnerKind.ADDRESS:
        name, identity = f"address 0x{number:02X}{_place(observed, channel)}", Identity(address=number)
    else:
        name, identity = f"node {number}{_place(observed, channel)}", Identity(node_id=number)
    if identity.address is not None and identity.can_name is None:
        identity = replace(identity, can_name=names_of.get((channel, identity.address)))
    groups = observed.groups
    group_rows = dict.fromkeys(observed.group_of[row] for row in rows)
    return JudgedController(
        name=name,
        channel=channel,
        identity=identity,
        spec=spec,
        rows=rows,
        first_ns=min(int(observed.streams.first_ns[row]) for row in rows),
        last_ns=max(int(observed.streams.last_ns[row]) for row in rows),
        cyclic_streams=[cyclic[row] for row in rows if row in cyclic],
        silences=_common([[*groups.silences(row), groups.open_silence(row)] for row in group_rows]),
        signs=_signs_of(observed, channel, identity),
    )


def _place(observed: Observations, channel: int) -> str:
    """Say on which channel a controller is, where it is not the first one heard."""
    return "" if channel == observed.keys[0].channel else f" on {observed.roll.channel_name(channel)}"


def _common(tracks: list[list[Silence]]) -> list[Silence]:
    """Give the stretches in which all tracks were silent."""
    common = tracks[0]
    for other in tracks[1:]:
        both = []
        for one in common:
            for two in other:
                from_ns = max(one.from_ns, two.from_ns)
                ends = [silence.to_ns for silence in (one, two) if silence.to_ns is not None]
                to_ns = min(ends) if ends else None
                if to_ns is None or to_ns > from_ns:
                    both.append(Silence.bare(from_ns, to_ns))
        common = both
    return common


def _signs_of(observed: Observations, channel: int, identity: Identity) -> list[Sign]:
    return [
        sign
        for sign in observed.signs
        if sign.channel == channel
        and (
            (sign.address is not None and sign.address == identity.address)
            or (sign.node_id is not None and sign.node_id == identity.node_id)
            or (sign.can_name is not None and sign.can_name == identity.can_name)
        )
    ]


def _unowned_groups(
    observed: Observations,
    unowned: Sequence[int],
    cyclic: Mapping[int, CyclicStream],
    until_ns: int,
    gaps_of: Mapping[int, RecorderGaps],
) -> list[list[int]]:
    """Group the identifiers that nobody owns where they vanish and return together, channel by channel.

    What is not cyclic cannot be seen to vanish, and stays alone.
    """
    silences_of = {channel: channel_silences(observed, channel) for channel in observed.channel_row}
    on_channel: dict[int, list[UnownedStream]] = {}
    for row in unowned:
        if row not in cyclic:
            continue
        channel = observed.keys[row].channel
        stream = cyclic[row]
        losses = tuple(
            (absence.last_seen_ns, absence.back_ns)
            for absence in find_lost([stream], stream.silences, (), gaps_of[channel], until_ns)
            if not _mostly_silent(silences_of[channel], absence, until_ns)
        )
        found = UnownedStream(row=row, deadline_ns=stream.deadline_ns, losses=losses)
        on_channel.setdefault(channel, []).append(found)
    groups = [group for streams in on_channel.values() for group in group_by_common_loss(streams, until_ns)]
    return groups + [[row] for row in unowned if row not in cyclic]


def _mostly_silent(silences: Sequence[Silence], absence: Absence, until_ns: int) -> bool:
    """Tell whether the whole channel was silent for most of an absence."""
    end_ns = until_ns if absence.back_ns is None else absence.back_ns
    half_ns = (end_ns - absence.last_seen_ns) / 2
    return any(
        min(end_ns, until_ns if silence.to_ns is None else silence.to_ns) - max(absence.last_seen_ns, silence.from_ns)
        > half_ns
        for silence in silences
    )


def _of_nobody(
    observed: Observations, rows: list[int], cyclic: Mapping[int, CyclicStream], until_ns: int
) -> JudgedController:
    """Make one controller of identifiers that nobody owns; it is named after the lowest."""
    key = min(observed.keys[row] for row in rows)
    streams = [cyclic[row] for row in rows if row in cyclic]
    return JudgedController(
        name=f"id {key}{_place(observed, key.channel)}",
        channel=key.channel,
        identity=Identity(),
        spec=None,
        rows=rows,
        first_ns=min(int(observed.streams.first_ns[row]) for row in rows),
        last_ns=max(int(observed.streams.last_ns[row]) for row in rows),
        cyclic_streams=streams,
        silences=_shared(streams, until_ns),
        signs=[],
    )


def _shared(streams: Sequence[CyclicStream], until_ns: int) -> list[Silence]:
    """Give the silences of a group without a track of its own: its fastest stream's, trimmed by the others'."""
    if not streams:
        return []
    fastest = min(streams, key=lambda stream: stream.deadline_ns)
    found = []
    for silence in fastest.silences:
        # the streams that were silent in the middle of it were silent with it, from the latest start to the first end
        from_ns, to_ns = silence.from_ns, silence.to_ns
        middle_ns = (from_ns + (until_ns if to_ns is None else to_ns)) // 2
        for stream in streams:
            own = stream.silence_over(middle_ns, middle_ns)
            if own is not None:
                from_ns = max(from_ns, own.from_ns)
                to_ns = own.to_ns if to_ns is None else to_ns if own.to_ns is None else min(to_ns, own.to_ns)
        found.append(Silence.bare(from_ns, to_ns))
    return found
