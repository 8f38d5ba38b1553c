"""Names that `raytrace` offers, and where each lives; read at import, and by type checkers."""

from .camera.sunlit import SunlitCard, sunlit_card
from .cooker.geometry import Cooker, Pot, build_cooker, cooker_from_arrays
from .cooker.mirror import Mirror
from .cooker.pose import Pose, posed
from .cooker.tolerances import Tolerances, as_built, draw_builds, laser_spots
from .exceptions import CookerError, CookerWarning
from .optics.cases import trace_cases
from .optics.tally import Tally
from .optics.tracing import trace, trace_paths, trace_to_se
from .reports.kinds import figures
from .scenario.loading import load_scenario, parse_scenario
from .scenario.schema import Scenario, describe_schema
from .sky.sun import sun_at
from .sky.sunshape import Sunshape, sunshape
from .statistics.estimate import Estimate
from .store.dataset import to_dataset
from .store.results import read_result
from .studies.bench.angle_measured import AngleFound, Proof, angle_found
from .studies.bench.readings import invent_spots
from .studies.bench.rig import RigPlan, RigStudy, rig
from .studies.bench.sheet import Sheet, SheetPlan, sheet
from .studies.bench.spots import spots
from .studies.bench.spots_data import Spots, SpotsPlan
from .studies.cooking.day import DayPlan, DayResult, day
from .studies.cooking.heating_test import HeatingTest, heating_test
from .studies.cooking.season import season
from .studies.cooking.season_data import Season
from .studies.cooking.season_plan import SeasonPlan
from .studies.designs.compare import compare
from .studies.designs.compare_plan import ComparePlan
from .studies.designs.comparison import Comparison
from .studies.designs.factors import read_factors
from .studies.designs.objectives import Ask
from .studies.designs.search import search
from .studies.designs.search_data import SearchPlan, SearchResult
from .studies.designs.variables import read_moves
from .studies.record.implied import FieldRecord
from .studies.record.light import RecordPlan
from .studies.record.record import record
from .studies.record.spotmap import SpotMap, SpotMapPlan, invent_map, spotmap
from .studies.record.sunspot import SunSpot, SunSpotPlan, sunspot
from .studies.stray.stray import stray
from .studies.stray.stray_data import Stray
from .studies.stray.stray_plan import StrayPlan
from .studies.tolerance.blame import Blame, BlamePlan, blame
from .studies.tolerance.sweep import TolerancePlan
from .studies.tolerance.tolerance import Tolerance, tolerance
from .studies.trace.efficiency import Efficiency, EfficiencyPlan, efficiency
from .studies.trace.faces import FaceMaps, face_maps, mean_map
from .studies.trace.run import Run, TracePlan, run, run_at, run_day, run_design
from .studies.trace.summary import Summary, summarise
from .studies.window.window import Window, WindowPlan, window
from .version import __version__

__all__ = [
    "AngleFound",
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
    "Efficiency",
    "EfficiencyPlan",
    "Estimate",
    "FaceMaps",
    "FieldRecord",
    "HeatingTest",
    "Mirror",
    "Pose",
    "Pot",
    "Proof",
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
    "SpotMap",
    "SpotMapPlan",
    "Spots",
    "SpotsPlan",
    "Stray",
    "StrayPlan",
    "Summary",
    "SunSpot",
    "SunSpotPlan",
    "SunlitCard",
    "Sunshape",
    "Tally",
    "Tolerance",
    "TolerancePlan",
    "Tolerances",
    "TracePlan",
    "Window",
    "WindowPlan",
    "__version__",
    "angle_found",
    "as_built",
    "blame",
    "build_cooker",
    "compare",
    "cooker_from_arrays",
    "day",
    "describe_schema",
    "draw_builds",
    "efficiency",
    "face_maps",
    "figures",
    "heating_test",
    "invent_map",
    "invent_spots",
    "laser_spots",
    "load_scenario",
    "mean_map",
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
    "spotmap",
    "spots",
    "stray",
    "summarise",
    "sun_at",
    "sunlit_card",
    "sunshape",
    "sunspot",
    "to_dataset",
    "tolerance",
    "trace",
    "trace_cases",
    "trace_paths",
    "trace_to_se",
    "window",
]
