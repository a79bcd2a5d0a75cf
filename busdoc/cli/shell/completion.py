"""Completion for four shells: each a script of its own, printed by `busdoc completion SHELL`."""

from collections.abc import Callable, Iterator, Mapping

from busdoc.cli.shell.grammar import Argument, Command, Takes

__all__ = ["SHELLS", "bash_script", "fish_script", "powershell_script", "zsh_script"]


def _all(command: Command) -> Iterator[Command]:
    """Yield a command and all below it."""
    yield command
    for one in command.commands:
        yield from _all(one)


def _names(command: Command) -> tuple[str, ...]:
    return tuple(one.words[-1] for one in command.commands)


def _flags(command: Command) -> tuple[str, ...]:
    return tuple(flag for option in command.options for flag in option.flags)


def _first_sentence(text: str) -> str:
    """Give what fits beside a word in a list of choices."""
    return text.split("; ")[0].split(". ")[0]


# bash ---------------------------------------------------------------------------------------------------------------


def bash_script(root: Command) -> str:
    """Give the script for bash 3.2 or later."""
    lines = [
        "# Completion of busdoc for bash. In ~/.bashrc:  source <(busdoc completion bash)",
        "_busdoc() {",
        '    local word="${COMP_WORDS[COMP_CWORD]}" before="${COMP_WORDS[COMP_CWORD-1]}" at="" one n',
        "    COMPREPLY=()",
        "    for ((n = 1; n < COMP_CWORD; n++)); do",
        '        one="${COMP_WORDS[n]}"',
        '        case "$at/$one" in',
    ]
    lines += [
        f'            "{" ".join(one.words[:-1])}/{one.words[-1]}") at="{" ".join(one.words)}" ;;'
        for one in _all(root)
        if one.words
    ]
    lines += ["        esac", "    done", '    case "$at $before" in']
    for one in _all(root):
        for option in one.options:
            if option.takes is not Takes.NOTHING:
                patterns = "|".join(f'"{" ".join(one.words)} {flag}"' for flag in option.flags)
                lines.append(f"        {patterns}) {_bash_value(option)}; return ;;")
    lines += ["    esac", '    case "$at" in']
    for one in _all(root):
        words = " ".join((*_names(one), *_flags(one)))
        files = next((place for place in one.places if place.takes in (Takes.FILE, Takes.FOLDER)), None)
        choices = next((place for place in one.places if place.takes is Takes.CHOICE), None)
        words += "" if choices is None else " " + " ".join(choices.choices)
        lines.append(f'        "{" ".join(one.words)}")')
        lines.append(f"            COMPREPLY=($(compgen -W '{words}' -- \"$word\"))")
        if files is not None:
            lines.append(f'            [[ "$word" == -* ]] || COMPREPLY+=($({_bash_files(files)}))')
        lines.append("            ;;")
    lines += ["    esac", "}", "complete -o filenames -F _busdoc busdoc", ""]
    return "\n".join(lines)


def _bash_value(option: Argument) -> str:
    if option.takes is Takes.CHOICE:
        return f"COMPREPLY=($(compgen -W '{' '.join(option.choices)}' -- \"$word\"))"
    return "COMPREPLY=()" if option.takes is Takes.TEXT else f"COMPREPLY=($({_bash_files(option)}))"


def _bash_files(argument: Argument) -> str:
    return f'compgen -{"d" if argument.takes is Takes.FOLDER else "f"} -- "$word"'


# zsh ----------------------------------------------------------------------------------------------------------------


def zsh_script(root: Command) -> str:
    """Give the script for zsh 5 or later."""
    lines = [
        "#compdef busdoc",
        "# Completion of busdoc for zsh. In a folder of $fpath:  busdoc completion zsh > _busdoc",
    ]
    for one in _all(root):
        lines += _zsh_function(one)
    lines += [
        'if [ "$funcstack[1]" = "_busdoc" ]; then _busdoc "$@"; else compdef _busdoc busdoc; fi',
        "",
    ]
    return "\n".join(lines)


def _zsh_function(command: Command) -> list[str]:
    lines = [f"_{'_'.join(('busdoc', *command.words))}() {{"]
    specs = []
    for option in command.options:
        value = "" if option.takes is Takes.NOTHING else f":{_zsh_quoted(option.shown)}:{_zsh_value(option)}"
        often = "*" if option.repeats else f"({' '.join(option.flags)})"
        specs += [f"'{often}{flag}[{_zsh_quoted(_first_sentence(option.help))}]{value}'" for flag in option.flags]
    if command.commands:
        specs += ["'1: :->command'", "'*:: :->rest'"]
    else:
        for place in command.places:
            often = "*" if place.repeats else ""
            specs.append(f"'{often}:{_zsh_quoted(place.shown)}:{_zsh_value(place)}'")
    lines.append("    local context state line")
    lines.append("    _arguments -C \\")
    lines += [f"        {spec}" + (" \\" if n < len(specs) else "") for n, spec in enumerate(specs, start=1)]
    if command.commands:
        lines += ["    case $state in", "        command)", "            local -a commands=("]
        lines += [
            f"                '{one.words[-1]}:{_zsh_quoted(_first_sentence(one.summary))}'" for one in command.commands
        ]
        lines += ["            )", "            _describe command commands ;;", "        rest)"]
        lines.append("            case $words[1] in")
        lines += [
            f"                {one.words[-1]}) _{'_'.join(('busdoc', *one.words))} ;;" for one in command.commands
        ]
        lines += ["            esac ;;", "    esac"]
    return [*lines, "}"]


def _zsh_value(argument: Argument) -> str:
    match argument.takes:
        case Takes.CHOICE:
            return f"({' '.join(argument.choices)})"
        case Takes.FOLDER:
            return "_files -/"
        case Takes.FILE:
            return "_files"
    return ""


def _zsh_quoted(text: str) -> str:
    for sign in ("\\", "[", "]", ":"):
        text = text.replace(sign, f"\\{sign}")
    return text.replace("'", "'\\''")


# fish ---------------------------------------------------------------------------------------------------------------


def fish_script(root: Command) -> str:
    """Give the script for fish 3 or later."""
    lines = [
        "# Completion of busdoc for fish:  busdoc completion fish > ~/.config/fish/completions/busdoc.fish",
        "complete -c busdoc -f",
    ]
    lines += [f"complete -c busdoc -n __fish_use_subcommand {_fish_option(option)}" for option in root.options]
    for one in root.commands:
        (name,) = one.words
        lines.append(f"complete -c busdoc -n __fish_use_subcommand -a {name} -d {_fish_quoted(one.summary)}")
        where = f"-n '__fish_seen_subcommand_from {name}'"
        for below in one.commands:
            lines.append(f"complete -c busdoc {where} -a {below.words[-1]} -d {_fish_quoted(below.summary)}")
        lines += [f"complete -c busdoc {where} {_fish_option(option)}" for option in one.options]
        for place in one.places:
            if place.takes is Takes.CHOICE:
                lines.append(f"complete -c busdoc {where} -a '{' '.join(place.choices)}'")
            elif place.takes in (Takes.FILE, Takes.FOLDER):
                lines.append(f"complete -c busdoc {where} -F")
    return "\n".join(lines) + "\n"


def _fish_option(option: Argument) -> str:
    flags = " ".join(f"-l {flag[2:]}" if flag.startswith("--") else f"-s {flag[1:]}" for flag in option.flags)
    text = f"{flags} -d {_fish_quoted(option.help)}"
    match option.takes:
        case Takes.CHOICE:
            return f"{text} -x -a '{' '.join(option.choices)}'"
        case Takes.FOLDER:
            return f"{text} -x -a '(__fish_complete_directories)'"
        case Takes.FILE:
            return f"{text} -r -F"
        case Takes.TEXT:
            return f"{text} -x"
    return text


def _fish_quoted(text: str) -> str:
    return "'" + _first_sentence(text).replace("\\", "\\\\").replace("'", "\\'") + "'"


# PowerShell ---------------------------------------------------------------------------------------------------------


def powershell_script(root: Command) -> str:
    """Give the script for PowerShell 5.1 or later."""
    lines = [
        "# Completion of busdoc for PowerShell. In $PROFILE:",
        "#     busdoc completion powershell | Out-String | Invoke-Expression",
        "Register-ArgumentCompleter -Native -CommandName busdoc -ScriptBlock {",
        "    param($word, $line, $cursor)",
        "    $known = @{",
    ]
    for one in _all(root):
        words = (*_names(one), *_flags(one), *(word for place in one.places for word in place.choices))
        quoted = ", ".join(f"'{word}'" for word in words)
        lines.append(f"        '{' '.join(one.words)}' = @({quoted})")
    lines += ["    }", "    $values = @{"]
    for one in _all(root):
        for option in one.options:
            for flag in option.flags:
                if option.takes is not Takes.NOTHING:
                    choices = ", ".join(f"'{word}'" for word in option.choices)
                    lines.append(f"        '{' '.join((*one.words, flag))}' = @({choices})")
    lines += [
        "    }",
        "    $at = ''",
        "    $before = ''",
        "    foreach ($element in @($line.CommandElements | Select-Object -Skip 1)) {",
        "        if ($element.Extent.EndOffset -ge $cursor) { break }",
        "        $before = $element.ToString()",
        '        $next = "$at $before".Trim()',
        "        if ($known.ContainsKey($next)) { $at = $next }",
        "    }",
        '    $option = "$at $before".Trim()',
        "    if ($values.ContainsKey($option)) { $words = $values[$option] } else { $words = $known[$at] }",
        '    $words | Where-Object { $_ -like "$word*" } | ForEach-Object {',
        "        [System.Management.Automation.CompletionResult]::new($_, $_, 'ParameterValue', $_)",
        "    }",
        "}",
        "",
    ]
    return "\n".join(lines)


SHELLS: Mapping[str, Callable[[Command], str]] = {
    "bash": bash_script,
    "zsh": zsh_script,
    "fish": fish_script,
    "powershell": powershell_script,
}
