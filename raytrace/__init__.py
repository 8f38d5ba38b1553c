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

__version__ = "0.1.0"

_HOME = {
    "describe_schema": "scenario",
    "Settings": "studies.one_run",
    "Run": "studies.one_run",
    "read_run": "store",
    "write_run": "store",
    "draw_builds": "errors",
    "trace_cases": "bulk",
    "CookerError": "exceptions",
    "CookerWarning": "exceptions",
    "Cooker": "cooker",
    "Estimate": "estimate",
    "Mirror": "mirror",
    "Pose": "pose",
    "Pot": "cooker",
    "Scenario": "scenario",
    "Sunshape": "sunshapes",
    "Tally": "tally",
    "Tolerances": "errors",
    "as_built": "errors",
    "build_cooker": "cooker",
    "cooker_from_arrays": "cooker",
    "laser_spots": "errors",
    "load_scenario": "scenario",
    "parse_scenario": "scenario",
    "posed": "pose",
    "run_at": "studies.one_run",
    "run_day": "studies.one_run",
    "run_design": "studies.one_run",
    "sun_at": "sky",
    "sunshape": "sunshapes",
    "trace": "tracing",
    "trace_paths": "tracing",
    "trace_to_se": "tracing",
}

__all__ = [
    "Cooker",
    "CookerError",
    "CookerWarning",
    "Estimate",
    "Mirror",
    "Pose",
    "Pot",
    "Run",
    "Scenario",
    "Settings",
    "Sunshape",
    "Tally",
    "Tolerances",
    "__version__",
    "as_built",
    "build_cooker",
    "cooker_from_arrays",
    "describe_schema",
    "draw_builds",
    "laser_spots",
    "load_scenario",
    "parse_scenario",
    "posed",
    "read_run",
    "run_at",
    "run_day",
    "run_design",
    "sun_at",
    "sunshape",
    "trace",
    "trace_cases",
    "trace_paths",
    "trace_to_se",
    "write_run",
]

if TYPE_CHECKING:
    from raytrace.bulk import trace_cases
    from raytrace.cooker import Cooker, Pot, build_cooker, cooker_from_arrays
    from raytrace.errors import Tolerances, as_built, draw_builds, laser_spots
    from raytrace.estimate import Estimate
    from raytrace.exceptions import CookerError, CookerWarning
    from raytrace.mirror import Mirror
    from raytrace.pose import Pose, posed
    from raytrace.scenario import Scenario, describe_schema, load_scenario, parse_scenario
    from raytrace.sky import sun_at
    from raytrace.store import read_run, write_run
    from raytrace.studies.one_run import Run, Settings, run_at, run_day, run_design
    from raytrace.sunshapes import Sunshape, sunshape
    from raytrace.tally import Tally
    from raytrace.tracing import trace, trace_paths, trace_to_se


def __getattr__(name: str) -> Any:
    # names load on first use: the command's --help need not wait for the compiler's library
    if name not in _HOME:
        raise AttributeError(f"module 'raytrace' has no attribute {name!r}")
    value = getattr(import_module(f"raytrace.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return list(__all__)
