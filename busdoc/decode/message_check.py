"""Finds the faults for which a strict reader refuses a message: signals that overlap or reach beyond its end."""

from itertools import combinations

from busdoc.decode.message import Message, Signal

__all__ = ["faults"]


def faults(message: Message) -> list[str]:
    """Name the signals of a message that overlap, or that do not fit in it; none in a clean one."""
    found = [
        f"the signal {signal.name} does not fit in message {message.name}"
        for signal in message.signals
        if signal.first_bit + signal.length > 8 * message.length
    ]
    n_bytes = max((signal.n_bytes for signal in message.signals), default=0)
    bits = {signal.name: _bits(signal, n_bytes) for signal in message.signals}
    union = 0
    for taken in bits.values():
        union |= taken
    if union.bit_count() == sum(signal.length for signal in message.signals):
        return found  # nothing shares a bit, which most messages end with
    by_name = {signal.name: signal for signal in message.signals}
    found += [
        f"the signals {first.name} and {second.name} are overlapping in message {message.name}"
        for first, second in combinations(message.signals, 2)
        if bits[first.name] & bits[second.name] and _together(first, second, by_name)
    ]
    return found


def _bits(signal: Signal, n_bytes: int) -> int:
    """Give the bits that a signal takes, numbered from the least significant one of the first byte."""
    ones = (1 << signal.length) - 1
    if signal.little_endian:
        return ones << signal.start
    from_the_end = ones << (8 * n_bytes - signal.first_bit - signal.length)
    return int.from_bytes(from_the_end.to_bytes(n_bytes, "big"), "little")


def _together(first: Signal, second: Signal, by_name: dict[str, Signal]) -> bool:
    """Tell whether one frame can hold both, by the branches of the multiplex that they are in."""
    branches = {signal.multiplexer: signal for signal in _branch(first, by_name)}
    for signal in _branch(second, by_name):
        other = branches.get(signal.multiplexer)
        if other is not None and not _share(signal.multiplexer_values, other.multiplexer_values):
            return False
    return True


def _branch(signal: Signal, by_name: dict[str, Signal]) -> list[Signal]:
    """Give the signal and the multiplexers above it, as far as they are multiplexed themselves."""
    chain = []
    while signal.multiplexer is not None:
        chain.append(signal)
        signal = by_name[signal.multiplexer]
    return chain


def _share(first: tuple[tuple[int, int], ...], second: tuple[tuple[int, int], ...]) -> bool:
    return any(low <= other_high and other_low <= high for low, high in first for other_low, other_high in second)
