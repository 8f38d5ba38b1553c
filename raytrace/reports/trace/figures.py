"""All figures of a run, to files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from raytrace.reports.common.style import save
from raytrace.reports.trace.day import day_figure
from raytrace.reports.trace.flux import flux_figure
from raytrace.reports.trace.ledger import ledger_figure
from raytrace.reports.trace.plan import plan_figure
from raytrace.reports.trace.side import side_figure

if TYPE_CHECKING:
    from raytrace.optics.tracing import Paths
    from raytrace.studies.trace.run import Moment, Run

__all__ = ["moment_to_show", "write_figures"]


def moment_to_show(run: Run) -> Moment:
    """The moment that stands for a run in its figures: the one with the most delivered watts."""
    return run.moments[int(np.argmax([float(m.tally.delivered) for m in run.moments]))]


def write_figures(
    run: Run, folder: Path, stem: str, form: str = "png", paths: Paths | None = None
) -> list[tuple[Path, int]]:
    """Draw a run and write the figures.

    Parameters
    ----------
    run : Run
        With one moment at least.
    folder : path
    stem : str
        Names of the files begin with it.
    form : str
        "png", "svg" or "pdf".
    paths : Paths, optional
        Rays of `moment_to_show`, for the side view; without them it is left out.

    Returns
    -------
    files : list of (path, size)
        What was written, sizes in bytes.
    """
    moment = moment_to_show(run)
    figures = {
        "flux": flux_figure(run, moment),
        "ledger": ledger_figure(run, moment),
        "facets": plan_figure(run, moment),
    }
    if paths is not None:
        figures["side"] = side_figure(run, moment, paths)
    if len(run.moments) > 1 and all(m.time is not None for m in run.moments):
        figures["day"] = day_figure(run)
    written = []
    for name, figure in figures.items():
        path = folder / f"{stem}-{name}.{form}"
        written.append((path, save(figure, path)))
    return written
