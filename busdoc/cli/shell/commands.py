"""The commands `completion` and `manual`: what a shell and its pages are given of busdoc.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
from collections.abc import Callable
from pathlib import Path

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.errors import InputError, found_instead

__all__ = ["add_completion", "add_manual"]

_SHELLS = ("bash", "zsh", "fish", "powershell")
Build = Callable[[], argparse.ArgumentParser]


def add_completion(commands: "argparse._SubParsersAction[argparse.ArgumentParser]", build: Build) -> None:
    """Add `busdoc completion` to the commands.

    Parameters
    ----------
    build : makes the parser of every command anew
    """
    completion = commands.add_parser(
        "completion",
        help="print a script by which a shell completes commands, options and files",
        description="Prints a script for a shell. bash: source <(busdoc completion bash) in ~/.bashrc. zsh: busdoc "
        "completion zsh > _busdoc in a folder of $fpath. fish: busdoc completion fish > "
        "~/.config/fish/completions/busdoc.fish. PowerShell: busdoc completion powershell | Out-String | "
        "Invoke-Expression in $PROFILE.",
        epilog="Exit status: 0 printed, 2 could not be done.",
    )
    completion.add_argument("shell", choices=_SHELLS, metavar="SHELL", help=f"one of: {', '.join(_SHELLS)}")

    def run(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
        from busdoc.cli.shell.completion import SHELLS
        from busdoc.cli.shell.grammar import grammar

        surroundings.stdout.write(SHELLS[arguments.shell](grammar(build())))
        return ExitStatus.HEALTHY

    completion.set_defaults(run=run)


def add_manual(commands: "argparse._SubParsersAction[argparse.ArgumentParser]", build: Build) -> None:
    """Add `busdoc manual` to the commands.

    Parameters
    ----------
    build : makes the parser of every command anew
    """
    manual = commands.add_parser(
        "manual",
        help="print the manual page of a command, or write those of all",
        description="Prints a manual page in the language of man: busdoc manual resync | man -l -. With -o it writes "
        "those of all commands to a folder, such as ~/.local/share/man/man1, where man finds them.",
        epilog="Exit status: 0 printed or written, 2 could not be done.",
    )
    manual.add_argument("page", nargs="?", metavar="COMMAND", help="whose page (default: that of busdoc itself)")
    manual.add_argument("-o", "--output", type=Path, metavar="DIR", help="write the pages of all commands there")

    def run(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
        from busdoc import __version__
        from busdoc.cli.shell.grammar import grammar
        from busdoc.cli.shell.manual import page_name, pages

        root = grammar(build())
        written = dict(pages(root, __version__))
        if arguments.output is None:
            names = {" ".join(one.words): f"{page_name(one)}.1" for one in (root, *root.commands)}
            name = names.get(arguments.page or "")
            if name is None:
                found = f'"{arguments.page}"'
                raise InputError("manual", "a command", found, f"Write one of: {', '.join(filter(None, names))}.")
            surroundings.stdout.write(written[name])
            return ExitStatus.HEALTHY
        folder: Path = arguments.output
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for name, text in written.items():
                (folder / name).write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise InputError(
                str(folder), "a folder that can be written", found_instead(error), "Name another with -o."
            ) from error
        surroundings.stdout.write(f"Written to {folder}: {len(written)} pages.\n")
        return ExitStatus.HEALTHY

    manual.set_defaults(run=run)
