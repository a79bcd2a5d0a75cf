"""Muster: puts the streams of a capture together as controllers.

Claimed streams belong to their spec, source address or proven CANopen node (`busdoc.health.roll.roll`); the others are
put together by the company they keep (`busdoc.health.presence.common_loss`). A controller is named after its spec, else
``address 0x31``, ``node 5`` or ``id 0x1D0`` (the lowest identifier of a company); on any channel but the first one
heard the channel's name follows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.presence.common_loss import LoneStream, keep_company
from busdoc.health.presence.cyclic_stream import Beat
from busdoc.health.presence.judged_controller import Member
from busdoc.health.presence.observations import Memory
from busdoc.health.presence.presence import Excuses, Fall, find_lost
from busdoc.health.roll.roll import Claim, ClaimKind
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import Identity

__all__ = ["channel_silences", "muster"]


def muster(memory: Memory, beats: dict[int, Beat], until_ns: int, excuses: Mapping[int, Excuses]) -> list[Member]:
    """Put streams together as controllers, in the order of the specs, then of their first frames."""
    names_of = _names_by_address(memory)
    proven = memory.proven_nodes()
    by_spec_name = {
        spec.identity.can_name: number
        for number, spec in enumerate(memory.roll.specs)
        if spec.identity.can_name is not None and spec.identity.address is None
    }
    rows_of: dict[Claim, list[int]] = {}
    alone: list[int] = []
    for row, claim in enumerate(memory.claims):
        if claim is None:
            if not memory.keys[row].extended:
                alone.append(row)
            continue
        kind, channel, number = claim
        if kind == ClaimKind.NODE and (channel, number) not in proven:
            alone.append(row)
            continue
        if kind == ClaimKind.ADDRESS:
            named = by_spec_name.get(names_of.get((channel, number), -1))
            if named is not None and memory.roll.is_on(memory.roll.specs[named], channel):
                claim = (ClaimKind.SPEC, -1, named)
        rows_of.setdefault(claim, []).append(row)
    order = sorted(
        rows_of, key=lambda claim: (claim[0] != ClaimKind.SPEC, claim[2] if claim[0] == ClaimKind.SPEC else 0)
    )
    first_channel = memory.keys[0].channel if memory.keys else 0
    members = [_claimed(memory, claim, rows_of[claim], beats, names_of, first_channel, until_ns) for claim in order]
    members += _unclaimed(memory, alone, beats, first_channel, until_ns, excuses)
    return members


def _names_by_address(memory: Memory) -> dict[tuple[int, int], int]:
    """Give the last NAME claimed for each (channel, address)."""
    return {
        (sign.channel, sign.address): sign.can_name
        for sign in memory.signs
        if sign.kind is SignKind.ADDRESS_CLAIM and sign.address is not None and sign.can_name is not None
    }


def _claimed(
    memory: Memory,
    claim: Claim,
    rows: list[int],
    beats: dict[int, Beat],
    names_of: dict[tuple[int, int], int],
    first_channel: int,
    until_ns: int,
) -> Member:
    kind, _, number = claim
    channel = memory.keys[rows[0]].channel
    place = "" if channel == first_channel else f" on {memory.roll.channel_name(channel)}"
    spec = None
    if kind == ClaimKind.SPEC:
        spec = memory.roll.specs[number]
        name, identity = spec.name, spec.identity
        addresses = {memory.keys[row].id & 0xFF for row in rows if memory.keys[row].extended}
        if identity.address is None and len(addresses) == 1 and identity.can_name is not None:
            identity = replace(identity, address=addresses.pop())
    elif kind == ClaimKind.ADDRESS:
        name, identity = f"address 0x{number:02X}{place}", Identity(address=number)
    else:
        name, identity = f"node {number}{place}", Identity(node_id=number)
    if identity.address is not None and identity.can_name is None:
        identity = replace(identity, can_name=names_of.get((channel, identity.address)))
    group_rows = list(dict.fromkeys(memory.group_of[row] for row in rows))
    return Member(
        name=name,
        channel=channel,
        identity=identity,
        spec=spec,
        rows=rows,
        first_ns=min(int(memory.streams.first_ns[row]) for row in rows),
        last_ns=max(int(memory.streams.last_ns[row]) for row in rows),
        beats=[beats[row] for row in rows if row in beats],
        silences=_common([_group_silences(memory, row, until_ns) for row in group_rows]),
        signs=_signs_of(memory, channel, identity),
    )


def _group_silences(memory: Memory, row: int, until_ns: int) -> list[Silence]:
    silences = memory.groups.silences(row)
    if until_ns > int(memory.groups.last_ns[row]):
        silences.append(memory.groups.open_silence(row))
    return silences


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


def _signs_of(memory: Memory, channel: int, identity: Identity) -> list[Sign]:
    return [
        sign
        for sign in memory.signs
        if sign.channel == channel
        and (
            (sign.address is not None and sign.address == identity.address)
            or (sign.node_id is not None and sign.node_id == identity.node_id)
            or (sign.can_name is not None and sign.can_name == identity.can_name)
        )
    ]


def _unclaimed(
    memory: Memory,
    alone: list[int],
    beats: dict[int, Beat],
    first_channel: int,
    until_ns: int,
    excuses: Mapping[int, Excuses],
) -> list[Member]:
    """Group the identifiers that nobody claims by the company they keep."""
    of_channel = {channel: channel_silences(memory, channel, until_ns) for channel in memory.channel_row}
    lone = []
    for row in alone:
        if row not in beats:
            continue
        channel = memory.keys[row].channel
        falls = find_lost([beats[row]], beats[row].silences, (), excuses[channel], until_ns)
        own = tuple(
            (fall.last_seen_ns, fall.back_ns)
            for fall in falls
            if not _mostly_silent(of_channel[channel], fall, until_ns)
        )
        lone.append(LoneStream(row=row, deadline_ns=beats[row].deadline_ns, losses=own))
    groups = [
        group
        for channel in dict.fromkeys(memory.keys[row].channel for row in alone)
        for group in keep_company([one for one in lone if memory.keys[one.row].channel == channel], until_ns)
    ]
    groups += [[row] for row in alone if row not in beats]
    members = []
    for rows in sorted(groups):
        key = min((memory.keys[row] for row in rows), key=lambda key: key.id)
        place = "" if key.channel == first_channel else f" on {memory.roll.channel_name(key.channel)}"
        own_beats = [beats[row] for row in rows if row in beats]
        members.append(
            Member(
                name=f"id {key}{place}",
                channel=key.channel,
                identity=Identity(),
                spec=None,
                rows=rows,
                first_ns=min(int(memory.streams.first_ns[row]) for row in rows),
                last_ns=max(int(memory.streams.last_ns[row]) for row in rows),
                beats=own_beats,
                silences=_shared(own_beats, until_ns),
                signs=[],
            )
        )
    return members


def _mostly_silent(silences: Sequence[Silence], fall: Fall, until_ns: int) -> bool:
    end_ns = until_ns if fall.back_ns is None else fall.back_ns
    longest_ns = max(
        (
            min(end_ns, until_ns if silence.to_ns is None else silence.to_ns) - max(fall.last_seen_ns, silence.from_ns)
            for silence in silences
        ),
        default=0,
    )
    return longest_ns > 0.5 * (end_ns - fall.last_seen_ns)


def _shared(beats: Sequence[Beat], until_ns: int) -> list[Silence]:
    """Give the silences of a group without a track of its own: its fastest stream's, trimmed by the others'."""
    if not beats:
        return []
    fastest = min(beats, key=lambda beat: beat.deadline_ns)
    found = []
    for silence in fastest.silences:
        from_ns, to_ns = silence.from_ns, silence.to_ns
        middle_ns = (from_ns + (until_ns if to_ns is None else to_ns)) // 2
        for beat in beats:
            own = beat.silence_over(middle_ns, middle_ns)
            if own is not None:
                from_ns = max(from_ns, own.from_ns)
                to_ns = own.to_ns if to_ns is None else to_ns if own.to_ns is None else min(to_ns, own.to_ns)
        found.append(Silence.bare(from_ns, to_ns))
    return found


def channel_silences(memory: Memory, channel: int, until_ns: int) -> list[Silence]:
    """Give the kept silences of a whole channel, ascending, the one that still lasts at `until_ns` included."""
    row = memory.channel_row[channel]
    silences = memory.channels.silences(row)
    if until_ns > int(memory.channels.last_ns[row]):
        silences.append(memory.channels.open_silence(row))
    return silences
