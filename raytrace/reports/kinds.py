"""Kinds of results: what makes tables, sentences and figures of each, from the result alone."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from raytrace.reports.common.cautions import (
    COOKING,
    IN_BRIEF,
    LASER,
    LIT_PLATE,
    SETTING,
    STRAY,
    SUN_HEIGHT,
    SUNLIT_CARD,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["KINDS", "Kind", "figures"]


class Kind(NamedTuple):
    """What is made of a kind of results.

    Attributes
    ----------
    result : str
        Name of their class.
    tables, sentences, figures : str
        Modules in `raytrace.reports`, each with its function; that of figures is `figures`.
    caution : str
        For whoever acts on them.
    """

    result: str
    tables: str
    sentences: str
    figures: str
    caution: str

    def function(self, part: str) -> Callable[..., Any]:
        """Function that makes a part of the report, imported when it is asked for.

        Parameters
        ----------
        part : str
            "tables", "sentences" or "figures".

        Returns
        -------
        callable
            Takes the result.
        """
        module, _, name = str(getattr(self, part)).partition(":")
        found = getattr(import_module(f"raytrace.reports.{module}"), name or "figures")
        return cast("Callable[..., Any]", found)


KINDS = {
    "day": Kind(
        "DayResult",
        "cooking.day:day_tables",
        "cooking.day_answer:day_told",
        "cooking.day_figures",
        COOKING,
    ),
    "blame": Kind(
        "Blame",
        "tolerance.blame:blame_tables",
        "tolerance.blame:blame_sentences",
        "tolerance.blame_figures",
        SETTING,
    ),
    "compare": Kind(
        "Comparison",
        "designs.compare:compare_tables",
        "designs.compare:sentences",
        "designs.compare_figures",
        IN_BRIEF,
    ),
    "record": Kind(
        "FieldRecord",
        "record.record:record_tables",
        "record.record:record_sentences",
        "record.record_figures",
        COOKING,
    ),
    "efficiency": Kind(
        "Efficiency",
        "trace.efficiency:efficiency_tables",
        "trace.efficiency:efficiency_sentences",
        "trace.efficiency",
        IN_BRIEF,
    ),
    "trace": Kind(
        "Run", "trace.tables:run_tables", "trace.tables:run_sentences", "trace.figures", IN_BRIEF
    ),
    "rig": Kind(
        "RigStudy", "bench.rig:study_tables", "bench.rig:rig_sentences", "bench.rig_figures", LASER
    ),
    "spotmap": Kind(
        "SpotMap",
        "record.spotmap:spotmap_tables",
        "record.spotmap:spotmap_sentences",
        "record.spotmap_figures",
        LIT_PLATE,
    ),
    "sunspot": Kind(
        "SunSpot",
        "record.sunspot:sunspot_tables",
        "record.sunspot:sunspot_sentences",
        "record.sunspot_figures",
        SUNLIT_CARD,
    ),
    "spots": Kind(
        "Spots",
        "bench.spots:spot_tables",
        "bench.spots_words:spot_sentences",
        "bench.spots_figures",
        LASER,
    ),
    "search": Kind(
        "SearchResult",
        "designs.search:search_tables",
        "designs.search:sentences",
        "designs.search_figures",
        IN_BRIEF,
    ),
    "season": Kind(
        "Season",
        "cooking.season:season_tables",
        "cooking.season_answer:season_told",
        "cooking.season_figures",
        COOKING,
    ),
    "stray": Kind(
        "Stray",
        "stray.stray:stray_tables",
        "stray.stray_words:stray_sentences",
        "stray.stray_figures",
        STRAY,
    ),
    "tolerance": Kind(
        "Tolerance",
        "tolerance.tolerance:tolerance_tables",
        "tolerance.tolerance:sentences",
        "tolerance.tolerance_figures",
        SETTING,
    ),
    "window": Kind(
        "Window",
        "window.window:window_tables",
        "window.window:window_sentences",
        "window.window_figures",
        SUN_HEIGHT,
    ),
}


def figures(result: Any) -> dict[str, Figure]:
    """All figures of a result, as its command draws them.

    Parameters
    ----------
    result : dataclass
        Of a study: a run, a season, a tolerance study and so on.

    Returns
    -------
    dict of str to Figure
        By name.

    Raises
    ------
    TypeError
        If nothing is drawn of such a result.
    """
    name = type(result).__name__
    for kind in KINDS.values():
        if kind.result == name:
            return cast("dict[str, Figure]", kind.function("figures")(result))
    known = ", ".join(sorted(kind.result for kind in KINDS.values()))
    raise TypeError(f"{name}: nothing is drawn of it; figures are made of {known}.")
