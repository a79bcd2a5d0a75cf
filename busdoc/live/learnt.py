"""The map learnt on the way, where a technician began with none: who is on the bus, and the branches that were named.

A machine in trouble teaches who is there and how often each speaks, and no return times: those are for a healthy
recording (`busdoc baseline`). A branch that was named stands where the technician said it sits. Where nobody said, it
stands at the one controller that kept falling, and the text says that this is taken so.
"""

import os
from collections.abc import Sequence
from pathlib import Path

from busdoc.actions.plugged import PlugState
from busdoc.errors import InputError
from busdoc.health.incident import IncidentKind
from busdoc.health.summary import Health
from busdoc.isolation.verdict import Because
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import learn_baseline
from busdoc.resync_check.baseline_text import map_text
from busdoc.session.folder import SessionFolder

__all__ = ["LEARNT", "keep_learnt_map", "learnt_map", "save_text"]

LEARNT = "learnt.toml"
"""Its name in the folder of a session; not that of the map that a session uses, which stays as it was given."""


def learnt_map(
    health: Health, because: Sequence[Because], state: PlugState, *, name: str = "Machine", began: str = ""
) -> str:
    """Write the map of a machine that had none.

    Parameters
    ----------
    health : of the session so far
    because : what each of its incidents answers to
    state : what is plugged now, with the branches that were named
    name : of the machine
    began : when the session began, for the heading

    Returns
    -------
    TOML that `busdoc.machine.machine_map` reads

    Raises
    ------
    InputError : names that no map may have, such as two branches that differ in case alone
    """
    learnt = learn_baseline(health, ())
    controllers = {one.name for one in learnt.controllers}
    troubled = _troubled(health, because) & controllers
    sole = next(iter(troubled)) if len(troubled) == 1 else None
    branches = [branch for branch in state.place_of if branch not in state.machine and branch not in controllers]
    head = f"# Branches named in a session{f' of {began}' if began else ''}; the rest is learnt from its traffic.\n"
    text = "\n".join([head + map_text(learnt, name=name), *(_block(one, state, sole, controllers) for one in branches)])
    machine_from_text(text, "the map that was learnt")
    return text


def keep_learnt_map(folder: SessionFolder, health: Health, because: Sequence[Because], state: PlugState) -> None:
    """Write the map of a machine that had none into the folder of its session.

    Raises
    ------
    InputError : names that no map may have, or a file that cannot be written
    """
    began = folder.store.rows().about.get("began", "")
    save_text(folder.path / LEARNT, learnt_map(health, because, state, began=began))


def _troubled(health: Health, because: Sequence[Because]) -> set[str]:
    """Name who fell for no reason of its own."""
    return {
        name
        for incident, reason in zip(health.incidents, because, strict=True)
        if incident.kind in (IncidentKind.DROPOUT, IncidentKind.RESTART) and not reason.expected
        for name in incident.controllers
    }


def _block(branch: str, state: PlugState, sole: str | None, controllers: set[str]) -> str:
    import tomlkit

    table = tomlkit.table()
    table["name"] = branch
    table["kind"] = "harness"
    place, owner = state.place_of[branch], state.owner_of(branch)
    known = owner is not None and (owner in controllers or owner in state.place_of)
    if known and place is not None:
        table["into"] = place
    elif sole is not None:
        table["into"] = sole
        table["into"].comment("taken so: this controller kept falling, and nobody said where the branch sits")
    else:
        table.add(tomlkit.comment("add `into`: the controller, and its socket, that this branch sits in"))
    parts = tomlkit.aot()
    parts.append(table)
    document = tomlkit.document()
    document["part"] = parts
    return tomlkit.dumps(document)


def save_text(path: Path, text: str) -> None:
    """Put a text in place of a file, whole or not at all.

    Raises
    ------
    InputError : it cannot be written; the old one stands then
    """
    beside = path.with_name(path.name + ".new")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise InputError(str(path), "room to write", str(error), "Make room, then go on with the session.") from error
