"""The commands and their options as records, read from the parser: what completion and manual are made of."""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

__all__ = ["Argument", "Command", "Takes", "grammar"]


class Takes(StrEnum):
    """What stands behind an option, or in the place of an argument."""

    NOTHING = "nothing"
    FILE = "file"
    FOLDER = "folder"
    CHOICE = "choice"
    TEXT = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class Argument:
    """An option, or an argument in its place."""

    flags: tuple[str, ...]
    """As typed, such as ``-o`` and ``--output``; empty: it goes by its place."""
    shown: str
    """How its value is written in help; empty: it takes none."""
    help: str
    takes: Takes
    choices: tuple[str, ...] = ()
    may_be_left_out: bool = True
    repeats: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A command, or one below it."""

    words: tuple[str, ...]
    """As typed after ``busdoc``; empty: the program itself."""
    summary: str
    description: str
    epilog: str
    options: tuple[Argument, ...]
    places: tuple[Argument, ...]
    commands: tuple["Command", ...] = ()


def grammar(parser: argparse.ArgumentParser) -> Command:
    """Read what the parser knows."""
    return _command(parser, (), "")


def _command(parser: argparse.ArgumentParser, words: tuple[str, ...], summary: str) -> Command:
    options: list[Argument] = []
    places: list[Argument] = []
    below: list[Command] = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            below += _below(action, words)
        elif action.option_strings:
            options.append(_argument(action))
        else:
            places.append(_argument(action))
    return Command(
        words=words,
        summary=summary,
        description=_plain(parser.description),
        epilog=_plain(parser.epilog),
        options=tuple(options),
        places=tuple(places),
        commands=tuple(below),
    )


def _below(action: "argparse._SubParsersAction[argparse.ArgumentParser]", words: tuple[str, ...]) -> Iterator[Command]:
    summaries = {one.dest: one.help or "" for one in action._choices_actions}
    for name, parser in action.choices.items():
        yield _command(parser, (*words, name), _plain(summaries.get(name)))


def _argument(action: argparse.Action) -> Argument:
    names = action.metavar or action.dest
    shown = " ".join(names) if isinstance(names, tuple) else names
    takes = Takes.NOTHING if action.nargs == 0 else _kind(action, shown)
    choices = tuple(map(str, action.choices)) if takes is Takes.CHOICE and action.choices is not None else ()
    if takes is Takes.NOTHING:
        shown = ""
    elif choices and action.metavar is None:
        shown = "{" + ",".join(choices) + "}"
    return Argument(
        flags=tuple(action.option_strings),
        shown=shown,
        help=_plain(action.help),
        takes=takes,
        choices=choices,
        may_be_left_out=(not action.required and action.nargs not in (None, "+")) or bool(action.option_strings),
        repeats=action.nargs in ("*", "+") or isinstance(action, argparse._AppendAction),
    )


def _kind(action: argparse.Action, shown: str) -> Takes:
    if action.choices is not None:
        return Takes.CHOICE
    if "DIR" in shown and "FILE" not in shown:
        return Takes.FOLDER
    is_file = action.type is Path or "FILE" in shown or shown.endswith(".toml")
    return Takes.FILE if is_file else Takes.TEXT


def _plain(text: str | None) -> str:
    """Give a text of help as it is shown: a percent sign is doubled for the parser."""
    return (text or "").replace("%%", "%")
