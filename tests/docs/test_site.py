"""What the site is made of: every page in its navigation, nothing from elsewhere; `.ci/steps.py docs` builds it."""

import re

from tests.docs.pages import CHECKOUT, PAGES, text_of

OUTSIDE = re.compile(r"!\[[^\]]*\]\(https?:|<(?:img|script|iframe|link)\b", re.IGNORECASE)


def test_every_page_is_in_the_navigation_once() -> None:
    rows = re.findall(r"^\| \[[^\]]+\]\(([\w-]+\.(?:md|ipynb))\) \|", text_of("README.md"), re.MULTILINE)
    notebooks = [path.name for path in (CHECKOUT / "docs").glob("*.ipynb")]
    assert sorted(rows) == sorted([*notebooks, *(path.name for path in PAGES if path.name != "README.md")])


def test_no_page_fetches_a_picture_or_a_script() -> None:
    assert [path.name for path in PAGES if OUTSIDE.search(path.read_text(encoding="utf-8"))] == []
    assert not OUTSIDE.search((CHECKOUT / ".ci" / "site" / "index.html").read_text(encoding="utf-8"))


def test_every_page_begins_with_one_title() -> None:
    """The navigation, and whoever reads a page aloud, go by it."""
    for path in PAGES:
        if path.name == "developers.md":
            continue  # it includes DEVELOPERS.md, which has one
        text = re.sub(r"^```.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
        assert [line[:2] for line in text.splitlines() if line.startswith("# ")] == ["# "], path.name
        assert text.startswith("# "), path.name


def test_the_guide_for_developers_is_shown_as_it_stands() -> None:
    assert text_of("developers.md").startswith("```{include} ../DEVELOPERS.md\n")
    guide = (CHECKOUT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert guide.startswith("# ")
    assert {"Add a reader", "Add a protocol", "Add a report section"} <= set(re.findall(r"^## (.+)$", guide, re.M))
