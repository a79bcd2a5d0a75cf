"""Takes out of a .dbc text the entries for which cantools would refuse the whole file.

Field databases keep names of values for signals that were deleted long ago, and messages that no frame can carry. The
rest of such a file is good.
"""

import re

__all__ = ["remove_refused"]

_UNUSED = re.compile(r"unused (VAL_|SIG_VALTYPE_) entries in DBC:\s*(.*)", re.S)
_ENTRY = re.compile(r"(?:(?:VAL_|SIG_VALTYPE_) )?(\d+) (\w+)")
_MESSAGE = re.compile(r"(?:in message|message) ([A-Za-z_]\w*)")


def remove_refused(text: str, complaint: str) -> tuple[str, str] | None:
    """Remove what a complaint of cantools is about.

    Returns
    -------
    the text without it, with every line in its place, and words on what was removed; None when the complaint is about
    something else
    """
    unused = _UNUSED.search(complaint)
    if unused:
        named = _ENTRY.findall(unused[2])
        repaired = text
        for number, signal in named:
            entry = re.compile(rf"^[ \t]*{unused[1]}\s+{number}\s+{signal}\b[^;]*;", re.M)
            repaired = entry.sub(_blank, repaired)
        if repaired != text:
            names = ", ".join(f"{signal} of message {number}" for number, signal in named[:3])
            return repaired, f"{unused[1]} entries for signals that it does not define are left out ({names})"
    about = _MESSAGE.findall(complaint)
    if about and ("frame id" in complaint or "is not greater than 0" in complaint):
        block = re.compile(rf"^[ \t]*BO_[ \t]+\d+[ \t]+{about[-1]}[ \t]*:.*\n(?:[ \t]*SG_[ \t].*\n?)*", re.M)
        repaired = block.sub(_blank, text)
        if repaired != text:
            reason = " ".join(complaint.removeprefix('DBC: "').rstrip('".').split())
            return repaired, f"the message {about[-1]} is left out: {reason}"
    return None


def _blank(found: "re.Match[str]") -> str:
    """Keep the line breaks, so that what is said of other lines stays right."""
    return "\n" * found[0].count("\n")
