"""How a number of things is written: their plural, how often, and lists of names."""

from collections.abc import Sequence

__all__ = ["all_of", "by_box", "counted", "first_few", "listed", "per_hour", "plural", "times"]


def plural(n: int, one: str, many: str | None = None) -> str:
    """Give the word for so many things.

    >>> plural(1, "frame"), plural(2, "frame"), plural(0, "is", "are")
    ('frame', 'frames', 'are')
    """
    return one if n == 1 else many if many is not None else f"{one}s"


def counted(n: int, one: str, many: str | None = None) -> str:
    """Write so many things.

    >>> counted(1, "frame"), counted(12_345, "frame"), counted(0, "lost frame")
    ('1 frame', '12,345 frames', '0 lost frames')
    """
    return f"{n:,} {plural(n, one, many)}"


def times(n: int) -> str:
    """Say how often.

    >>> times(1), times(2), times(30)
    ('once', 'twice', '30 times')
    """
    return "once" if n == 1 else "twice" if n == 2 else f"{n} times"


def all_of(n: int, one: str) -> str:
    """Say that it is all there are.

    >>> all_of(1, "controller"), all_of(2, "controller"), all_of(8, "controller")
    ('the one controller', 'both controllers', 'all 8 controllers')
    """
    return f"the one {one}" if n == 1 else f"{'both' if n == 2 else f'all {n}'} {plural(n, one)}"


def listed(names: Sequence[object], most: int | None = None) -> str:
    """List in a sentence, of more than `most` those first, and the number of the rest; None: all.

    >>> listed(["fan"]), listed(["fan", "hopper"]), listed([1, 2, 3, 4], most=2)
    ('fan', 'fan and hopper', '1, 2 and 2 more')
    """
    shown = [str(name) for name in names]
    if most is not None and len(shown) > most:
        shown = [*shown[:most], f"{len(shown) - most} more"]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}" if shown else ""


def first_few(names: Sequence[str], most: int = 6) -> str:
    """List names with commas, the first few of many.

    >>> first_few(["hopper", "fan"]), first_few(["a", "b", "c"], most=2)
    ('hopper, fan', 'a, b and 1 more')
    """
    return listed(names, most) if len(names) > most else ", ".join(names)


def per_hour(value: float) -> str:
    """Write how many come in an hour, to two digits.

    >>> per_hour(0.123), per_hour(9.7), per_hour(123.4), per_hour(14390.2)
    ('0.12', '9.7', '123', '14,390')
    """
    return f"{value:,.0f}" if value >= 9.95 else f"{value:.2g}"


def by_box(names: Sequence[str], boxes: Sequence[Sequence[str]]) -> list[str]:
    """Name single controllers, then each box with its addresses.

    Parameters
    ----------
    boxes : those of which every address is among the names

    >>> by_box(["fan", "address 0x03", "address 0x06"], [["address 0x03", "address 0x06"]])
    ['fan', 'one box (address 0x03, address 0x06)']
    """
    in_box = {name for box in boxes for name in box}
    return [name for name in names if name not in in_box] + [f"one box ({first_few(box)})" for box in boxes]
