"""Manual pages in the language of man (groff_man(7)), one for the program and one for each command."""

from collections.abc import Iterator

from busdoc.cli.shell.grammar import Argument, Command

__all__ = ["page_name", "pages"]

_STATUS = (
    ("0", "Analysed and healthy; or done."),
    ("1", "Analysed, and trouble found."),
    ("2", "It could not be done; one sentence on standard error says why."),
)
_VARIABLES = (
    ("BUSDOC_CACHE", "Folder in which parsed databases and compiled kernels are kept; empty: nothing is kept."),
    ("COLUMNS", "Width of what is printed, instead of the terminal's."),
    ("NO_COLOR", "Where it is set, nothing is coloured."),
)


def pages(root: Command, version: str) -> Iterator[tuple[str, str]]:
    """Yield the name of each page's file and its text."""
    yield f"{page_name(root)}.1", _page(root, root, version)
    for one in root.commands:
        yield f"{page_name(one)}.1", _page(one, root, version)


def page_name(command: Command) -> str:
    """Give the name of a command's page, as ``man`` takes it."""
    return "-".join(("busdoc", *command.words))


def _page(command: Command, root: Command, version: str) -> str:
    name = page_name(command)
    summary = command.summary or root.description.split(". ")[0].rstrip(".")
    lines = [
        f'.TH {_quoted(name.upper())} 1 "" {_quoted(f"busdoc {version}")} {_quoted("User commands")}',
        ".SH NAME",
        f"{_text(name)} \\- {_text(summary)}",
        ".SH SYNOPSIS",
        *_synopsis(command),
    ]
    for below in command.commands if command is not root else ():
        lines += [".br", *_synopsis(below)]
    if command.description:
        lines += [".SH DESCRIPTION", _text(command.description)]
    if command is root:
        lines.append(".SH COMMANDS")
        for one in root.commands:
            lines += [".TP", f".BR {_quoted(page_name(one))} (1)", _text(one.summary)]
    places = [place for place in command.places if place.help]
    if places:
        lines += [".SH ARGUMENTS", *_arguments(places)]
    if command.options:
        lines += [".SH OPTIONS", *_arguments(command.options)]
    for below in command.commands if command is not root else ():
        lines += [f".SS {_quoted(' '.join(('busdoc', *below.words)))}", _text(below.description)]
        lines += _arguments([one for one in (*below.places, *below.options) if one.help])
    notes, _, statuses = command.epilog.partition("Exit status:")
    if notes.strip():
        lines += [".SH NOTES", _text(notes.strip())]
    lines.append(".SH EXIT STATUS")
    if statuses and command is not root:
        lines.append(_text(statuses.strip()))
    else:
        for status, words in _STATUS:
            lines += [".TP", f".B {status}", words]
    if command is root:
        lines.append(".SH ENVIRONMENT")
        for variable, words in _VARIABLES:
            lines += [".TP", f".B {variable}", _text(words)]
    others = [one for one in (root, *root.commands) if one is not command]
    lines += [".SH SEE ALSO", ", ".join(f"\\fB{_text(page_name(one))}\\fR(1)" for one in others)]
    return "\n".join(lines) + "\n"


def _synopsis(command: Command) -> Iterator[str]:
    parts = [f"\\fB{_text(' '.join(('busdoc', *command.words)))}\\fR"]
    parts += ["[\\fIoptions\\fR]"] if command.options else []
    for place in command.places:
        shown = f"\\fI{_text(place.shown)}\\fR" + (" ..." if place.repeats else "")
        parts.append(f"[{shown}]" if place.may_be_left_out else shown)
    if command.commands and not command.words:
        parts.append("\\fIcommand\\fR ...")
    yield " ".join(parts)


def _arguments(arguments: "list[Argument] | tuple[Argument, ...]") -> Iterator[str]:
    for one in arguments:
        shown = f"\\fI{_text(one.shown)}\\fR" if one.shown else ""
        flags = ", ".join(f"\\fB{_text(flag)}\\fR" for flag in one.flags)
        yield ".TP"
        yield f"{flags} {shown}".strip()
        yield _text(one.help)


def _text(text: str) -> str:
    """Give a text in which nothing is an order to the formatter."""
    escaped = text.replace("\\", "\\e").replace("-", "\\-").replace("…", "...")
    return f"\\&{escaped}" if escaped[:1] in (".", "'") else escaped


def _quoted(text: str) -> str:
    escaped = _text(text).replace('"', "\\(dq")
    return f'"{escaped}"'
