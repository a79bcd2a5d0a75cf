"""How Sphinx makes the site of docs/: `python .ci/steps.py docs`, into build/site.

It is built and read without a network: nothing in it comes from elsewhere, which is checked when it is made. What
docs/README.md lists is the navigation; a page that is not named there fails the build, and so does a link that leads
nowhere.
"""

import json
import re
from importlib.metadata import version as version_of
from pathlib import Path

from sphinx.application import Sphinx
from sphinx.errors import ExtensionError

project = "busdoc"
author = "The busdoc contributors"
copyright = author  # noqa: A001 - the name that Sphinx gives it
version = release = version_of("busdoc")

extensions = ["myst_parser", "sphinx.ext.autodoc"]
root_doc = "README"
source_suffix = {".md": "markdown", ".ipynb": "markdown"}
include_patterns = ["*.md", "*.ipynb"]
myst_heading_anchors = 4
suppress_warnings = ["misc.highlighting_failure"]  # for CSV and output there is no highlighter
smartquotes = False  # "--" is an option's beginning here, never a dash

autodoc_member_order = "bysource"
autodoc_typehints = "signature"
autodoc_typehints_format = "short"
python_use_unqualified_type_names = True
default_role = "literal"  # a name in single backticks

html_theme = "furo"
html_title = "busdoc"
html_static_path = ["static"]
html_extra_path = ["index.html"]
html_css_files = ["site.css"]
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#005a8c", "color-brand-content": "#005a8c"},
    "dark_css_variables": {"color-brand-primary": "#7cc4f0", "color-brand-content": "#7cc4f0"},
}

_HEADING = re.compile(r"^## (.+)$")
_ROW = re.compile(r"^\| \[([^\]]+)\]\(([\w-]+)\.(?:md|ipynb)\) \|")
_ITEM = re.compile(r"^(\*{0,2}\w[\w, .*]*) : (.*)$")
_FROM_ELSEWHERE = re.compile(
    r"""<(?:script|img|iframe|source)\b[^>]*\bsrc=["']?(?:https?:)?//[^"'>\s]+"""
    r"""|<link\b[^>]*\bhref=["']?(?:https?:)?//[^"'>\s]+|(?:url\(|@import )\s*["']?(?:https?:)?//[^"')\s]+""",
    re.IGNORECASE,
)


def as_pages(app: Sphinx, docname: str, source: list[str]) -> None:
    """Make the navigation of what docs/README.md lists: its headings, and the pages in the tables below them.

    A notebook becomes a page: its texts, and its cells as blocks.
    """
    if app.env.doc2path(docname).suffix == ".ipynb":
        cells = [(cell["cell_type"], "".join(cell["source"])) for cell in json.loads(source[0])["cells"]]
        source[0] = "\n\n".join(text if kind == "markdown" else f"```python\n{text}\n```" for kind, text in cells)
    if docname != root_doc:
        return
    parts: list[tuple[str, list[str]]] = []
    for line in source[0].splitlines():
        if heading := _HEADING.match(line):
            parts.append((heading[1], []))
        elif (row := _ROW.match(line)) and parts:
            parts[-1][1].append(f"{row[1]} <{row[2]}>")
    trees = [
        "\n".join(("```{toctree}", ":hidden:", f":caption: {caption}", "", *pages, "```"))
        for caption, pages in parts
        if pages
    ]
    source[0] += "\n\n" + "\n\n".join(trees) + "\n"


def in_markup(app: Sphinx, what: str, name: str, thing: object, options: object, lines: list[str]) -> None:
    """Turn the sections of a docstring ("Parameters", a line of dashes, "name : what it is") into what Sphinx reads."""
    out: list[str] = []
    k = 0
    while k < len(lines):
        line = lines[k]
        if k + 1 < len(lines) and line and set(lines[k + 1]) == {"-"} and len(lines[k + 1]) == len(line):
            out += [f".. rubric:: {line}", ""]
            k += 2
        elif item := _ITEM.match(line):
            names = ", ".join(f"``{one.strip()}``" for one in item[1].split(","))
            out += [names, f"    {item[2]}"]
            k += 1
            while k < len(lines) and lines[k].startswith(" "):
                out.append(f"    {lines[k].strip()}")
                k += 1
        else:
            out.append(line)
            k += 1
    lines[:] = out


def refuse_what_comes_from_elsewhere(app: Sphinx, exception: Exception | None) -> None:
    """Fail where a page would fetch a font, a script or a picture over the network."""
    if exception is not None:
        return
    out = Path(app.outdir)
    found = [
        f"{path.relative_to(out).as_posix()}: {met[0]}"
        for pattern in ("*.html", "*.css", "*.svg")
        for path in sorted(out.rglob(pattern))
        for met in _FROM_ELSEWHERE.finditer(path.read_text(encoding="utf-8"))
    ]
    if found:
        raise ExtensionError("the site would fetch from elsewhere:\n" + "\n".join(found[:10]))


def setup(app: Sphinx) -> None:
    """Join them to the build."""
    app.connect("source-read", as_pages)
    app.connect("autodoc-process-docstring", in_markup)
    app.connect("build-finished", refuse_what_comes_from_elsewhere)
