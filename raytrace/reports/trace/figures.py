"""All figures of a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from raytrace.reports.trace.day import day_figure
from raytrace.reports.trace.flux import encircled_figure, flux_figure
from raytrace.reports.trace.ledger import ledger_figure
from raytrace.reports.trace.plan import plan_figure
from raytrace.reports.trace.side import side_figure
from raytrace.reports.trace.solid import solid_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from raytrace.studies.trace.run import Run

__all__ = ["figures"]


def figures(run: Run) -> dict[str, Figure]:
    """All figures by name.

    Parameters
    ----------
    run : Run

    Returns
    -------
    dict of str to Figure
    """
    paths = run.paths()
    out = {
        "solid": solid_figure(run, paths=paths),
        "flux": flux_figure(run),
        "encircled": encircled_figure(run),
        "ledger": ledger_figure(run),
        "facets": plan_figure(run),
        "side": side_figure(run, paths=paths),
    }
    if len(run.moments) > 1 and all(m.time is not None for m in run.moments):
        out["day"] = day_figure(run)
    return out
