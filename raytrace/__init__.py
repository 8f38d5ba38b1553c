"""Monte Carlo ray tracing of hand-built solar cookers made of small flat mirrors.

In a notebook::

    import raytrace

    scenario = raytrace.load_scenario("scenarios/courtyard.toml")
    run = raytrace.run_design(scenario)
    tally = run.moments[0].tally
    print(tally.delivered, "W on the base;", tally.intercept, "of what left the mirrors")

A geometry of one's own goes through `cooker_from_arrays` and `trace`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from raytrace.version import __version__

_HOME = {
    "describe_schema": "scenario.schema",
    "Summary": "studies.trace.summary",
    "TracePlan": "studies.trace.run",
    "run": "studies.trace.run",
    "summarise": "studies.trace.summary",
    "Blame": "studies.tolerance.blame",
    "BlamePlan": "studies.tolerance.blame",
    "blame": "studies.tolerance.blame",
    "Tolerance": "studies.tolerance.tolerance",
    "TolerancePlan": "studies.tolerance.sweep",
    "tolerance": "studies.tolerance.tolerance",
    "Season": "studies.cooking.season_data",
    "SeasonPlan": "studies.cooking.season_plan",
    "season": "studies.cooking.season",
    "DayPlan": "studies.cooking.day",
    "DayResult": "studies.cooking.day",
    "day": "studies.cooking.day",
    "HeatingTest": "studies.cooking.heating_test",
    "heating_test": "studies.cooking.heating_test",
    "FieldRecord": "studies.record.implied",
    "RecordPlan": "studies.record.light",
    "record": "studies.record.record",
    "Window": "studies.window.window",
    "WindowPlan": "studies.window.window",
    "window": "studies.window.window",
    "RigPlan": "studies.bench.rig",
    "RigStudy": "studies.bench.rig",
    "rig": "studies.bench.rig",
    "Sheet": "studies.bench.sheet",
    "SheetPlan": "studies.bench.sheet",
    "sheet": "studies.bench.sheet",
    "Spots": "studies.bench.spots_data",
    "SpotsPlan": "studies.bench.spots_data",
    "spots": "studies.bench.spots",
    "Ask": "studies.designs.objectives",
    "ComparePlan": "studies.designs.compare_plan",
    "Comparison": "studies.designs.comparison",
    "compare": "studies.designs.compare",
    "read_factors": "studies.designs.factors",
    "SearchPlan": "studies.designs.search_data",
    "SearchResult": "studies.designs.search_data",
    "search": "studies.designs.search",
    "read_moves": "studies.designs.variables",
    "invent_spots": "studies.bench.readings",
    "read_result": "store.results",
    "to_dataset": "store.dataset",
    "Run": "studies.trace.run",
    "draw_builds": "cooker.tolerances",
    "trace_cases": "optics.cases",
    "CookerError": "exceptions",
    "CookerWarning": "exceptions",
    "Cooker": "cooker.geometry",
    "Estimate": "statistics.estimate",
    "Mirror": "cooker.mirror",
    "Pose": "cooker.pose",
    "Pot": "cooker.geometry",
    "Scenario": "scenario.schema",
    "Sunshape": "sky.sunshape",
    "Tally": "optics.tally",
    "Tolerances": "cooker.tolerances",
    "as_built": "cooker.tolerances",
    "build_cooker": "cooker.geometry",
    "cooker_from_arrays": "cooker.geometry",
    "laser_spots": "cooker.tolerances",
    "load_scenario": "scenario.loading",
    "parse_scenario": "scenario.loading",
    "posed": "cooker.pose",
    "run_at": "studies.trace.run",
    "run_day": "studies.trace.run",
    "run_design": "studies.trace.run",
    "sun_at": "sky.sun",
    "sunshape": "sky.sunshape",
    "trace": "optics.tracing",
    "trace_paths": "optics.tracing",
    "trace_to_se": "optics.tracing",
}

__all__ = [
    "Ask",
    "Blame",
    "BlamePlan",
    "ComparePlan",
    "Comparison",
    "Cooker",
    "CookerError",
    "CookerWarning",
    "DayPlan",
    "DayResult",
    "Estimate",
    "FieldRecord",
    "HeatingTest",
    "Mirror",
    "Pose",
    "Pot",
    "RecordPlan",
    "RigPlan",
    "RigStudy",
    "Run",
    "Scenario",
    "SearchPlan",
    "SearchResult",
    "Season",
    "SeasonPlan",
    "Sheet",
    "SheetPlan",
    "Spots",
    "SpotsPlan",
    "Summary",
    "Sunshape",
    "Tally",
    "Tolerance",
    "TolerancePlan",
    "Tolerances",
    "TracePlan",
    "Window",
    "WindowPlan",
    "__version__",
    "as_built",
    "blame",
    "build_cooker",
    "compare",
    "cooker_from_arrays",
    "day",
    "describe_schema",
    "draw_builds",
    "heating_test",
    "invent_spots",
    "laser_spots",
    "load_scenario",
    "parse_scenario",
    "posed",
    "read_factors",
    "read_moves",
    "read_result",
    "record",
    "rig",
    "run",
    "run_at",
    "run_day",
    "run_design",
    "search",
    "season",
    "sheet",
    "spots",
    "summarise",
    "sun_at",
    "sunshape",
    "to_dataset",
    "tolerance",
    "trace",
    "trace_cases",
    "trace_paths",
    "trace_to_se",
    "window",
]

if TYPE_CHECKING:
    from raytrace.cooker.geometry import Cooker, Pot, build_cooker, cooker_from_arrays
    from raytrace.cooker.mirror import Mirror
    from raytrace.cooker.pose import Pose, posed
    from raytrace.cooker.tolerances import Tolerances, as_built, draw_builds, laser_spots
    from raytrace.exceptions import CookerError, CookerWarning
    from raytrace.optics.cases import trace_cases
    from raytrace.optics.tally import Tally
    from raytrace.optics.tracing import trace, trace_paths, trace_to_se
    from raytrace.scenario.loading import load_scenario, parse_scenario
    from raytrace.scenario.schema import Scenario, describe_schema
    from raytrace.sky.sun import sun_at
    from raytrace.sky.sunshape import Sunshape, sunshape
    from raytrace.statistics.estimate import Estimate
    from raytrace.store.dataset import to_dataset
    from raytrace.store.results import read_result
    from raytrace.studies.bench.readings import invent_spots
    from raytrace.studies.bench.rig import RigPlan, RigStudy, rig
    from raytrace.studies.bench.sheet import Sheet, SheetPlan, sheet
    from raytrace.studies.bench.spots import spots
    from raytrace.studies.bench.spots_data import Spots, SpotsPlan
    from raytrace.studies.cooking.day import DayPlan, DayResult, day
    from raytrace.studies.cooking.heating_test import HeatingTest, heating_test
    from raytrace.studies.cooking.season import season
    from raytrace.studies.cooking.season_data import Season
    from raytrace.studies.cooking.season_plan import SeasonPlan
    from raytrace.studies.designs.compare import compare
    from raytrace.studies.designs.compare_plan import ComparePlan
    from raytrace.studies.designs.comparison import Comparison
    from raytrace.studies.designs.factors import read_factors
    from raytrace.studies.designs.objectives import Ask
    from raytrace.studies.designs.search import search
    from raytrace.studies.designs.search_data import SearchPlan, SearchResult
    from raytrace.studies.designs.variables import read_moves
    from raytrace.studies.record.implied import FieldRecord
    from raytrace.studies.record.light import RecordPlan
    from raytrace.studies.record.record import record
    from raytrace.studies.tolerance.blame import Blame, BlamePlan, blame
    from raytrace.studies.tolerance.sweep import TolerancePlan
    from raytrace.studies.tolerance.tolerance import Tolerance, tolerance
    from raytrace.studies.trace.run import Run, TracePlan, run, run_at, run_day, run_design
    from raytrace.studies.trace.summary import Summary, summarise
    from raytrace.studies.window.window import Window, WindowPlan, window


def __getattr__(name: str) -> Any:
    # names load on first use: the command's --help need not wait for the compiler's library
    if name not in _HOME:
        raise AttributeError(f"module 'raytrace' has no attribute {name!r}")
    value = getattr(import_module(f"raytrace.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return list(__all__)
