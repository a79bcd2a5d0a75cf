"""What happened, as it is said aloud: the line of the plain session with its signs spelt out."""

import re

__all__ = ["aloud"]

_SPELT = (
    (re.compile(r"(\d+)\.0 s\b"), r"\1 s"),
    (re.compile(r"\b1 s\b"), "1 second"),
    (re.compile(r"(\d) ms\b"), r"\1 milliseconds"),
    (re.compile(r"(\d) s\b"), r"\1 seconds"),
    (re.compile(r"\b1 min\b"), "1 minute"),
    (re.compile(r"(\d) min\b"), r"\1 minutes"),
    (re.compile(r"\b1 h\b"), "1 hour"),
    (re.compile(r"(\d) h\b"), r"\1 hours"),
    (re.compile(r"(\d) %"), r"\1 percent"),
    (re.compile(r"\bno\. (\d)"), r"number \1"),
    (re.compile(r"[_\-](?=[A-Za-z0-9])"), " "),
    (re.compile(r"\s*\([^)]*\)"), ""),
    (re.compile(r"[\"►■□!#]"), ""),
    (re.compile(r"\s+"), " "),
)
_MOST_LETTERS = 160


def aloud(text: str) -> str:
    """Give a sentence as a voice can read it; what stands in brackets is left to the eye.

    >>> aloud("hopper back in step after 7.0 s"), aloud("plug harness-A (no. 4) in")
    ('hopper back in step after 7 seconds', 'plug harness A in')
    """
    for pattern, spelt in _SPELT:
        text = pattern.sub(spelt, text)
    text = text.strip()
    if len(text) <= _MOST_LETTERS:
        return text
    head, _, _ = text[:_MOST_LETTERS].rpartition(" ")
    return head
