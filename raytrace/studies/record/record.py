"""A cook's record: what it implies, and what would explain that the scenario predicts otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

from raytrace.store.plain import plain
from raytrace.store.work import Progress, work
from raytrace.studies.record.explanations import find_causes
from raytrace.studies.record.implied import FieldRecord, field_record
from raytrace.studies.record.light import RecordPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.studies.record.readings import Record

__all__ = ["record"]


def record(
    scenario: Scenario,
    readings: Record,
    plan: RecordPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> FieldRecord:
    """Say what a measured heating implies, and what would explain a difference.

    Parameters
    ----------
    scenario : Scenario
        Its kitchen says what was in the pot.
    readings : Record
        See `raytrace.studies.record.readings.from_table`.
    plan : RecordPlan, optional
        By default `RecordPlan.of(scenario)`.
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Replace whatever of this program's is there.
    progress : callable, optional
        Called with the per cents that are done, and 100.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    FieldRecord
        Its causes are empty where nothing needs explaining.

    Raises
    ------
    HeatError
        If no two readings say anything of the light, none can be right, or the scenario predicts
        none.
    StoreError
        If the path holds another study, or can't be written.
    """
    plan = RecordPlan.of(scenario) if plan is None else plan
    plan = replace(plan, threads=None)

    def tell(share: float, begun: float = 0.0) -> None:
        if progress is not None:
            progress(begun + 50.0 * share, 100.0)

    with work(
        "record",
        [scenario],
        plan,
        path,
        overwrite=overwrite,
        in_parts=False,
        record=plain(readings),
    ) as kept:
        if kept.result is None:
            mine = replace(plan, threads=threads)
            found, followed = field_record(scenario, readings, mine, progress=tell)
            if found.differs:
                causes = find_causes(found, followed, progress=lambda x: tell(x, 50.0))
                found = replace(found, causes=causes)
            kept.finish(replace(found, plan=plan), command=command)
        return cast(FieldRecord, kept.result)
