"""A whole fleet: every capture listed, judged where it was not judged before, and what all of them tell together."""

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from busdoc.decode.database.bus_of_file import split_bus
from busdoc.errors import InputError
from busdoc.many.baselines import learn_baselines
from busdoc.many.conclusions.finding import find
from busdoc.many.intake.sources import captures_of
from busdoc.many.judged import Reports
from busdoc.many.kept.store import FleetStore
from busdoc.many.kept.tables import write_tables
from busdoc.many.result import Fleet
from busdoc.many.told.page import write_pages
from busdoc.many.work.engine import Here, open_dask
from busdoc.many.work.running import Follow, list_captures, run

__all__ = ["check_given", "day_of_change", "fleet"]


def check_given(
    *,
    workers: int | None,
    cluster: str | None,
    databases: Sequence[tuple[int | str | None, Path]],
    machine_file: Path | None,
    dashes: str = "",
) -> None:
    """See that what was asked for can be done, before anything is read.

    Parameters
    ----------
    dashes : before the name of what cannot be used, where it is an option

    Raises
    ------
    InputError : it cannot
    """
    if workers is not None and workers < 0:
        raise InputError(f"{dashes}workers", "a whole number from 0 on", str(workers), "Leave the sign off.")
    if workers is not None and cluster is not None:
        raise InputError(f"{dashes}workers", f"no {dashes}cluster beside it", "one", "Leave one out.")
    name = "--db" if dashes else "databases"
    given = [(name, file) for _, file in databases]
    if machine_file is not None:
        given.insert(0, (f"{dashes}machine", machine_file))
    for what, file in given:
        if what == name and split_bus(file)[1]:
            advice = "Give the file alone, or export that bus by itself."
            raise InputError(f"{what} {file}", "a file, of which a fleet takes all buses", "one bus of it", advice)
        if not file.is_file():
            raise InputError(f"{what} {file}", "a file", "nothing by this name", "Check the path.")


def day_of_change(changed: str | None, dashes: str = "") -> str:
    """Give the day as ISO 8601 writes it; empty for None.

    Raises
    ------
    InputError : it is none
    """
    if changed is None:
        return ""
    try:
        return date.fromisoformat(changed).isoformat()
    except ValueError as error:
        raise InputError(f"{dashes}changed", "a day", f'"{changed}"', "Write for example 2026-03-31.") from error


def fleet(
    sources: Sequence[str],
    folder: Path,
    *,
    databases: Sequence[tuple[int | str | None, Path]] = (),
    machine_file: Path | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    reports: Reports = Reports.ALL,
    changed: str = "",
    baselines: bool = False,
    zone: str | None = None,
    command: str = "",
    follow: Follow | None = None,
    dashboard: Callable[[str], None] | None = None,
) -> Fleet:
    """Judge all captures of the sources that were not judged before, write tables and pages, and give what they tell.

    Parameters
    ----------
    folder : made where it is not there; one with a fleet is gone on with
    databases, machine_file : for captures that bring none of their own
    workers : processes on this computer; 0: this one alone; None: as many as its cores and memory allow
    cluster : the address of a scheduler of Dask, in the place of workers here
    changed : the day on which all machines were changed, as ISO 8601 writes it; empty: none
    command : what was typed, for the page
    follow : called after each capture with how far the run is
    dashboard : called with the address of the cluster's dashboard, where it has one

    Raises
    ------
    InputError : a source, the folder or the cluster cannot be used
    ClusterEnded : the cluster went away; the same call goes on from what is done
    """
    store = FleetStore(folder)
    try:
        given = [(channel, str(file.absolute())) for channel, file in databases]
        map_address = None if machine_file is None else str(machine_file.absolute())
        list_captures(store, captures_of(sources, machine_file=map_address, databases=given), zone=zone)
        if workers == 0:
            run(store, Here(), zone=zone, reports=reports, follow=follow)
        else:
            with open_dask(cluster, workers) as engine:
                if dashboard is not None and engine.dashboard is not None:
                    dashboard(engine.dashboard)
                run(store, engine, zone=zone, reports=reports, follow=follow)
        tables = write_tables(store)
        found = find(store.lines(), changed=changed)
        page = write_pages(store, found, command=command)
        learnt = tuple(learn_baselines(store, found)) if baselines else ()
        return Fleet(folder=folder, page=page, tables_folder=tables, findings=found, baselines=learnt)
    finally:
        store.close()
