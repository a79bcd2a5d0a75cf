"""Joins what several sources know of the controllers: the machine map first, then the database."""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.machine.controller_spec import ControllerSpec

__all__ = ["join_specs"]


def join_specs(first: Sequence[ControllerSpec], second: Sequence[ControllerSpec]) -> tuple[ControllerSpec, ...]:
    """Give every controller once.

    A controller of `second` is the same as one of `first` when they share a channel and a database sender, a source
    address, a node or an identifier. Its streams are added where `first` does not name them; what `first` says stands.

    Returns
    -------
    Those of `first` in their order, then those that only `second` knows.
    """
    joined = list(first)
    only_second = []
    for other in second:
        at = next((k for k, spec in enumerate(joined[: len(first)]) if _same(spec, other)), None)
        if at is None:
            only_second.append(other)
        else:
            joined[at] = _with_streams_of(joined[at], other)
    return (*joined, *only_second)


def _same(spec: ControllerSpec, other: ControllerSpec) -> bool:
    if spec.channel is not None and other.channel is not None and str(spec.channel) != str(other.channel):
        return False
    mine, theirs = spec.identity, other.identity
    pairs = ((mine.sender, theirs.sender), (mine.address, theirs.address), (mine.node_id, theirs.node_id))
    if any(one is not None and one == another for one, another in pairs):
        return True
    named = {(stream.extended, stream.id) for stream in spec.expects}
    return any((stream.extended, stream.id) in named for stream in other.expects)


def _with_streams_of(spec: ControllerSpec, other: ControllerSpec) -> ControllerSpec:
    named = {(stream.extended, stream.id): stream for stream in spec.expects}
    for stream in other.expects:
        key = (stream.extended, stream.id)
        known = named.get(key)
        if known is None or (known.period_ns is None and stream.period_ns is not None):
            named[key] = stream
    identity = spec.identity
    if identity.sender is None:
        identity = replace(identity, sender=other.identity.sender)
    if identity.address is None and identity.node_id is None:
        identity = replace(identity, address=other.identity.address, node_id=other.identity.node_id)
    return replace(spec, identity=identity, expects=tuple(named.values()))
