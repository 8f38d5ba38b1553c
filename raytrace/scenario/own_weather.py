"""Weather of one's own: what its CSV may hold, and a DataFrame as such a CSV.

A row is a mean over an interval. The header names the times `interval_start` or `interval_end`, so
that it is known which end they label: in ISO 8601, with their offset from UTC or by the site's
clock. Besides, with a unit each: `dni`; `ghi` and `dhi` (global and diffuse on the level), or one
of them, or neither; or `ghi` alone, of which a model makes both; `air_temperature`; `wind_10m`, at
10 m over the ground. Lines that begin with ``#`` may stand above the header.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from raytrace.exceptions import Problem
from raytrace.scenario.columns import Column, match_column
from raytrace.scenario.tables import table_error
from raytrace.texts import shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "TIMES", "frame_text"]

TIMES = ("interval_start", "interval_end")
COLUMNS = [
    *(Column(name, "text", required=False) for name in TIMES),
    # pyranometers show a little less than nothing at night
    Column("dni", "irradiance", required=False, span=("-30 W/m^2", "1500 W/m^2")),
    Column("ghi", "irradiance", required=False, span=("-30 W/m^2", "1800 W/m^2")),
    Column("dhi", "irradiance", required=False, span=("-30 W/m^2", "1200 W/m^2")),
    Column("air_temperature", "temperature", required=False, span=("-90 degC", "60 degC")),
    Column("wind_10m", "speed", required=False, span=("0 m/s", "120 m/s")),
]


def frame_text(name: str, frame: pd.DataFrame) -> str:
    """Weather of a DataFrame as the CSV that it might have been read from.

    Parameters
    ----------
    name : str
        For messages.
    frame : DataFrame
        Columns named as in the CSV, units included; the times as one of them, or as an index of
        such a name.

    Returns
    -------
    str

    Raises
    ------
    ScenarioError
        If a column is none that is known; all problems at once.
    """
    import pandas as pd

    if not isinstance(frame, pd.DataFrame):
        raise table_error(name, [Problem(name, "no DataFrame.")])
    if not set(TIMES) & set(frame.columns):
        if frame.index.name not in TIMES:
            words = (
                "no times: name the index, or a column of times, interval_start or interval_end."
            )
            raise table_error(name, [Problem(name, words)])
        frame = frame.reset_index()
    problems = []
    for column in frame.columns:
        try:
            match_column(str(column), COLUMNS)
        except ValueError as error:
            problems.append(Problem(f"{name} column {shown(str(column))}", str(error)))
    if problems:
        raise table_error(name, problems)
    for time in set(TIMES) & set(frame.columns):
        moments = pd.Index(frame[time])
        if isinstance(moments, pd.DatetimeIndex):
            frame = frame.assign(**{time: [t.isoformat() for t in moments]})
    return frame.to_csv(index=False, lineterminator="\n")
