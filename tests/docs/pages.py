"""The pages of the documentation, and the blocks in them."""

import re
from pathlib import Path

__all__ = ["CHECKOUT", "PAGES", "blocks", "text_of"]

CHECKOUT = Path(__file__).parents[2]
PAGES = sorted((CHECKOUT / "docs").glob("*.md"))


def text_of(name: str) -> str:
    """Give a page's text."""
    return (CHECKOUT / "docs" / name).read_text(encoding="utf-8")


def blocks(text: str) -> list[tuple[str, str, int]]:
    """Give each fenced block: its language, its text, and the number of the line after it."""
    found: list[tuple[str, str, int]] = []
    inside: list[str] | None = None
    language = ""
    for number, line in enumerate(text.splitlines(), start=1):
        fence = re.fullmatch(r"\s*```(.*)", line)
        if fence is None:
            if inside is not None:
                inside.append(line)
        elif inside is None:
            language, inside = fence[1], []
        else:
            found.append((language, "\n".join(inside) + "\n", number + 1))
            inside = None
    assert inside is None, "a block is not closed"
    return found
