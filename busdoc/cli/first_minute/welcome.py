"""What `busdoc` alone says: what it is for, and which of three things to type for which need."""

from collections.abc import Sequence

from busdoc.report.terminal.wrapping import filled

__all__ = ["welcome"]

_WHAT = (
    "busdoc finds out why controllers drop off a CAN bus, with your message database, a map of the machine and what "
    "was unplugged and plugged. It listens and never transmits."
)
_NEEDS: Sequence[tuple[str, Sequence[str]]] = (
    (
        "Isolation: it drops out now, and you can unplug branches. Which branch, which part?",
        (
            "busdoc isolate --bus socketcan:can0 --machine sweeper.toml --db sweeper.dbc",
            "busdoc postmortem session.log --machine sweeper.toml --actions journal.csv",
        ),
    ),
    (
        "Post-mortem: it will not drop out while you stand there. What does a recording say?",
        ("busdoc postmortem monday.log.gz tuesday.log.gz --db sweeper.dbc",),
    ),
    (
        "After a power cycle: is every controller back in step, and when?",
        (
            "busdoc resync --bus socketcan:can0 --machine sweeper.toml",
            "busdoc resync power-cycle.log --machine sweeper.toml",
        ),
    ),
)
_ALSO = (
    ("busdoc demo", "see it work on a machine of our own"),
    ("busdoc isolate --practice", "do the whole job on it yourself"),
    ("busdoc fleet captures/ -o park", "many captures of many machines: who drops most"),
    ("busdoc ready", "is this laptop ready for the machine?"),
    ("busdoc --help", "all commands"),
)


def welcome(width: int) -> str:
    """Give the text, `width` columns wide; a command goes on after a break as a shell would read it.

    Parameters
    ----------
    width : 40 or more
    """
    parts = [filled(_WHAT, width)]
    for need, commands in _NEEDS:
        lines = [_command(command, width) for command in commands]
        parts.append("\n".join([filled(need, width), *lines]))
    across = max(len(command) for command, _ in _ALSO) + 2
    if across + 30 > width:
        parts += [f"{command}\n{filled(text, width, '    ', '    ')}" for command, text in _ALSO]
    else:
        parts.append("\n".join(filled(f"{c:<{across}}{text}", width, more=" " * across) for c, text in _ALSO))
    return "\n\n".join(parts) + "\n"


def _command(command: str, width: int) -> str:
    """Break a command before its options, where it is too long, with what a shell goes on by."""
    if len(command) + 4 <= width:
        return f"    {command}"
    lines: list[str] = []
    for word in command.split(" "):
        if lines and len(lines[-1]) + 1 + len(word) + 2 <= width - 4:
            lines[-1] += f" {word}"
        else:
            lines.append(word if not lines else f"    {word}")
    return " \\\n".join(f"    {line}" for line in lines)
