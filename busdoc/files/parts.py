"""Parts of busdoc that are installed only where they are wanted, and a sentence where one is missing."""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.util import find_spec

from busdoc.errors import InputError

__all__ = ["PARTS", "Part", "missing_part", "needs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """An extra of the package."""

    name: str
    """As an extra: ``pip install "busdoc[NAME]"``."""
    what: str
    """What cannot be done without it."""
    modules: tuple[str, ...]
    """What must be there to import."""
    projects: tuple[str, ...]
    """What provides it, as pip names it."""
    for_all: bool = True
    """Whether it belongs on every laptop, and so to the extra ``all``."""

    @property
    def installed_by(self) -> str:
        """What to type, as the end of a sentence."""
        return f"needs python -m pip install {' '.join(self.projects)}"


PARTS: Mapping[str, Part] = {
    one.name: one
    for one in (
        Part(
            name="fast",
            what="reading large captures several times as fast",
            modules=("numba",),
            projects=("numba",),
        ),
        Part(
            name="tables",
            what="tables as CSV, Parquet and pandas frames",
            modules=("pandas", "pyarrow"),
            projects=("pandas", "pyarrow"),
        ),
        Part(
            name="report",
            what="the record as HTML and PDF",
            modules=("matplotlib", "jinja2", "fpdf"),
            projects=("matplotlib", "jinja2", "fpdf2"),
        ),
        Part(
            name="page",
            what="the page on the phone",
            modules=("starlette", "uvicorn", "segno", "ifaddr", "PIL"),
            projects=("starlette", "uvicorn", "segno", "ifaddr", "pillow"),
        ),
        Part(name="mf4", what="captures in .mf4", modules=("asammdf",), projects=("asammdf",)),
        Part(
            name="fleet",
            what="many captures of many machines",
            modules=("statsmodels", "fsspec"),  # Dask is asked for where it is used: --workers 0 does without
            projects=("bokeh", "dask", "distributed", "fsspec", "statsmodels"),
            for_all=False,
        ),
    )
}


def missing_part(name: str) -> Part | None:
    """Give a part that is not, or not wholly, installed; None: it is."""
    part = PARTS[name]
    return part if any(find_spec(module) is None for module in part.modules) else None


def needs(name: str, where: str) -> None:
    """Refuse, in a sentence, what a part that is missing is needed for.

    Parameters
    ----------
    where : what asked for it, such as ``--report``

    Raises
    ------
    InputError : it is missing; the text says how to install it
    """
    part = missing_part(name)
    if part is not None:
        lacking = next(module for module in part.modules if find_spec(module) is None)
        advice = f"Install it: python -m pip install {' '.join(part.projects)}"
        raise InputError(where, f'the extra "{name}", for {part.what}', f"no {lacking} installed", advice)
