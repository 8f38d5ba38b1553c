"""Whose fault: the watts that each source of error costs, alone and among the others.

Two questions, two answers. What does a source cost on average? Each is added alone to a cooker
without any of them, and taken alone from the cooker as the scenario has it; builds and samples are
shared, so that differences are sharp. And why do two cookers built alike differ? Sobol' indices
over the builds' draws: each group's share of the variance, alone and with all its interplays.

Both are asked twice, with facets set by laser and with facets set by angle.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, set_exactly
from raytrace.cooker.tolerances import (
    HIT,
    PLACEMENT,
    POINTING,
    POT,
    ROLL,
    SETTING,
    Pointing,
    PotPlace,
    Tolerances,
)
from raytrace.exceptions import SettingsError, StudyError
from raytrace.light.ensemble import (
    BLOCK,
    Conditions,
    Ensemble,
    Watts,
    design_ensemble,
    no_light,
    same_build,
)
from raytrace.sky.sunshape import Sunshape
from raytrace.store.work import Progress, work
from raytrace.studies.tolerance.causes import Causes, causes_size, find_causes
from raytrace.studies.tolerance.sobol import Indices, indices, pick_freeze

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "GROUPS",
    "SOURCES",
    "WAYS",
    "Blame",
    "BlamePlan",
    "Indices",
    "Loss",
    "Source",
    "blame",
    "iter_ensembles",
    "put_together",
]

Array = NDArray[np.float64]

NO_SOURCES = "no sources"  # exactly set, all in place, mirrors flat and sharp, the sun a point
WAYS = ("laser", "angle")  # how facets are set
GROUPS = {
    "setting": SETTING,
    "placement": PLACEMENT,
    "roll": ROLL,
    "rig": HIT,
    "pointing": POINTING,
    "pot": POT,
}


@dataclass(frozen=True, eq=False)
class _Model:
    """One cooker's errors, of every kind that a source may be."""

    tolerances: Tolerances
    slope: float
    specularity: float
    glass: bool
    broad_sun: bool


@dataclass(frozen=True)
class Source:
    """A source of error.

    Attributes
    ----------
    key, name : str
        Short, and as people read it.
    clear : callable
        Takes a model and returns it without this source.
    """

    key: str
    name: str
    clear: Callable[[_Model], _Model]


def _tolerances(key: str, name: str, **zero: Any) -> Source:
    return Source(key, name, lambda m: replace(m, tolerances=replace(m.tolerances, **zero)))


def _rig(key: str, name: str, **zero: Any) -> Source:
    def clear(m: _Model) -> _Model:
        rig = replace(m.tolerances.rig, **zero)
        return replace(m, tolerances=replace(m.tolerances, rig=rig))

    return Source(key, name, clear)


SOURCES = (
    _tolerances("setting", "setting of the facets", setting=0.0),
    _tolerances("placement", "mounts out of place", placement_xy=0.0, placement_z=0.0),
    _tolerances("roll", "facets rolled", roll=0.0),
    _rig("rig_altitude", "laser too high or low", altitude_bias=0.0),
    _rig("rig_azimuth", "laser turned aside", azimuth_bias=0.0),
    _rig("rig_hit", "laser off the centres", hit=0.0),
    _rig("rig_stand", "laser swivelled", corrected_marks=True),
    _tolerances("pointing", "operator's pointing", pointing=Pointing()),
    _tolerances("pot", "pot out of place", pot=PotPlace()),
    Source("waviness", "waviness of mirrors", lambda m: replace(m, slope=0.0)),
    Source("specularity", "scatter of mirrors", lambda m: replace(m, specularity=0.0)),
    Source("glass", "glass: rim and shift", lambda m: replace(m, glass=False)),
    Source("sunshape", "breadth of the sun", lambda m: replace(m, broad_sun=False)),
)


@dataclass(frozen=True)
class BlamePlan:
    """How much to compute.

    Attributes
    ----------
    builds : int
        Builds behind each loss, an even number: every second one is the mirror image of the one
        before it. [1]
    base : int
        Rows of the pick-freeze design; each takes two builds more than there are groups. A power
        of two from 64. [1]
    seed, beams, replicates : int
        Key of all random numbers; beams a facet in each replicate, and replicates of each build.
    unknown_rows : int
        Rows behind the shares of what isn't known; 0 for none. [1]
    """

    builds: int = 200
    base: int = 1024
    seed: int = 1
    beams: int = 1
    replicates: int = 2
    unknown_rows: int = 256

    def __post_init__(self) -> None:
        if self.builds < 4 or self.builds % 2 or self.replicates < 2 or self.beams < 1:
            raise SettingsError(
                "builds must be even and 4 or more, replicates 2 or more, beams 1 or more"
            )
        if self.base < 64 or self.base & (self.base - 1):
            raise SettingsError("the indices' base must be a power of two from 64")


@dataclass(frozen=True)
class Loss:
    """What one source costs where facets are set one way.

    Attributes
    ----------
    source : Source
    way : str
        "laser" or "angle".
    present : bool
        Whether the scenario has this source at all (and this way of setting feels it).
    alone, alone_se : float
        Watts lost when it is added alone to the cooker without any source. [W]
    without, without_se : float
        Watts gained when it is taken alone from the full cooker. [W]
    """

    source: Source
    way: str
    present: bool
    alone: float
    alone_se: float
    without: float
    without_se: float


@dataclass(frozen=True, eq=False)
class Blame:
    """What each source of error costs, and why builds differ.

    Ways W of setting the facets (`WAYS`), sources C (`SOURCES`).

    Attributes
    ----------
    scenario : Scenario
    plan : BlamePlan
    conditions : Conditions
        Sun and cooker of all ensembles.
    no_sources : Watts
        Without any source: facets exactly set, all in place, mirrors flat and sharp, the sun a
        point.
    full : dict from str to Watts
        The scenario, by the way its facets are set.
    present : ndarray of bool, shape (W, C)
        Whether the scenario has a source at all (and this way of setting feels it).
    alone, alone_se : ndarray, shape (W, C)
        Watts lost when a source is added alone to the cooker without any; nan where it isn't
        present. [W]
    without, without_se : ndarray, shape (W, C)
        Watts gained when a source is taken alone from the full cooker. [W]
    indices : dict from str to Indices
        By the way facets are set.
    causes : Causes or None
        What the interval of the watts is made of, with facets set as the scenario says.
    """

    scenario: Scenario
    plan: BlamePlan
    conditions: Conditions
    no_sources: Watts
    full: Mapping[str, Watts]
    present: NDArray[np.bool_]
    alone: Array
    alone_se: Array
    without: Array
    without_se: Array
    indices: Mapping[str, Indices]
    causes: Causes | None = None

    DIMS: ClassVar = {"W": "set_by", "C": "source"}
    COORDS: ClassVar = {"set_by": "ways", "source": "keys"}
    ALSO: ClassVar = ("names", "gap", "gap_se")

    @property
    def ways(self) -> NDArray[np.str_]:
        """How facets are set, shape (W,)."""
        return np.array(WAYS)

    @property
    def keys(self) -> NDArray[np.str_]:
        """Sources by a short name, shape (C,)."""
        return np.array([x.key for x in SOURCES])

    @property
    def names(self) -> NDArray[np.str_]:
        """Sources as people read them, shape (C,)."""
        return np.array([x.name for x in SOURCES])

    @property
    def gap(self) -> Array:
        """Watts between the cooker without any source and the full one, shape (W,). [W]"""
        return np.array([_paired(self.no_sources, self.full[way])[0] for way in WAYS])

    @property
    def gap_se(self) -> Array:
        """Standard error of `gap`, shape (W,). [W]"""
        return np.array([_paired(self.no_sources, self.full[way])[1] for way in WAYS])

    def of(self, way: str) -> tuple[Loss, ...]:
        """Losses with facets set one way, in the order of `SOURCES`.

        Parameters
        ----------
        way : str
            One of `WAYS`.

        Returns
        -------
        tuple of Loss
        """
        k = WAYS.index(way)
        found = (self.present, self.alone, self.alone_se, self.without, self.without_se)
        rows = zip(SOURCES, *(x[k].tolist() for x in found), strict=True)
        return tuple(Loss(source, way, *row) for source, *row in rows)


def _full(ensemble: Ensemble, way: str) -> _Model:
    mirror = ensemble.cooker.mirror
    glass = mirror.thickness > 0.0 or mirror.bevel > 0.0
    tolerances = replace(ensemble.tolerances, set_by=way)
    return _Model(tolerances, mirror.slope, mirror.specularity, glass, True)


def _felt(ensemble: Ensemble, way: str, source: Source) -> bool:
    """Whether taking a source away changes anything."""
    full = _full(ensemble, way)
    less = source.clear(full)
    if source.key.startswith("rig_"):
        rig = full.tolerances.rig
        if way == "angle" or (source.key == "rig_stand" and rig.kind != "point"):
            return False
    return (
        less.tolerances != full.tolerances
        or less.slope != full.slope
        or less.specularity != full.specularity
        or less.glass != full.glass
        or less.broad_sun != full.broad_sun
    )


def _alone(ensemble: Ensemble, way: str, source: Source | None) -> _Model:
    """The cooker without any source, but for one."""
    model = _full(ensemble, way)
    for other in SOURCES:
        if source is None or other.key != source.key:
            model = other.clear(model)
    return model


def _models(ensemble: Ensemble) -> dict[str, _Model]:
    """Every ensemble but the pick-freeze rows, by name."""
    models = {NO_SOURCES: _alone(ensemble, "angle", None)}
    for way in WAYS:
        models[f"full/{way}"] = _full(ensemble, way)
        for source in SOURCES:
            if _felt(ensemble, way, source):
                models[f"without/{way}/{source.key}"] = source.clear(_full(ensemble, way))
                models[f"alone/{way}/{source.key}"] = _alone(ensemble, way, source)
    return models


def _groups(ensemble: Ensemble, way: str) -> tuple[str, ...]:
    """Groups whose draws change anything."""
    t = ensemble.tolerances
    p = t.pointing
    drawn = {
        "setting": t.setting > 0.0,
        "placement": t.placement_xy > 0.0 or t.placement_z > 0.0,
        "roll": t.roll > 0.0,
        "rig": way == "laser" and t.rig.hit > 0.0,
        "pointing": max(p.heading_rms, p.tilt_rms, p.cross_rms) > 0.0,
        "pot": max(t.pot.rms) > 0.0,
    }
    return tuple(name for name in GROUPS if drawn[name])


def _sizes(ensemble: Ensemble, plan: BlamePlan) -> dict[str, int]:
    """Builds of each ensemble."""
    sizes = dict.fromkeys(_models(ensemble), plan.builds)
    return sizes | {f"rows/{way}": plan.base * (len(_groups(ensemble, way)) + 2) for way in WAYS}


def iter_ensembles(
    ensemble: Ensemble,
    plan: BlamePlan,
    *,
    done: Collection[str] = (),
    progress: Progress | None = None,
) -> Iterator[tuple[str, Watts]]:
    """Trace a study ensemble by ensemble.

    Parameters
    ----------
    ensemble : Ensemble
        Prepared with the plan's seed, beams and replicates.
    plan : BlamePlan
    done : collection of str
        Names of ensembles that need no tracing again.
    progress : callable, optional
        Takes how many builds are done, and of how many.

    Yields
    ------
    name : str
        `NO_SOURCES`; "full/laser"; "alone/laser/SOURCE", "without/laser/SOURCE", "rows/laser".
    watts : Watts
        Rows of the pick-freeze design lie as `pick_freeze` has them.

    Raises
    ------
    StudyError
        If the cooker without any source brings nothing to the pot.
    """
    models, sizes = _models(ensemble), _sizes(ensemble, plan)
    total = sum(sizes.values())
    traced = sum(n for name, n in sizes.items() if name in done)
    for name in sizes:
        if name in done:
            continue
        parts = []
        way = name.rpartition("/")[2]
        blocks = _mirrored(plan) if name in models else _rows(plan, _groups(ensemble, way))
        for numbers, streams in blocks:
            model = models.get(name) or _full(ensemble, way)
            parts.append(_trace(ensemble, model, numbers, streams))
            traced += len(streams)
            if progress is not None:
                progress(traced, total)
        if name == NO_SOURCES and not parts[0].delivered.any():
            raise no_light(ensemble.scenario, "no error can cost it anything")
        yield name, Watts.join(parts)


def _mirrored(plan: BlamePlan) -> Iterator[tuple[Any, NDArray[np.int64]]]:
    """Builds behind a loss, block by block, and the samples of each.

    Every second build is the mirror image of the one before: what an error does to first order
    then drops out of the mean exactly, and its standard error is small.
    """
    for first in range(0, plan.builds, BLOCK):
        streams = np.arange(first, min(first + BLOCK, plan.builds))
        yield np.where(streams % 2, ~(streams // 2), streams // 2), streams


def _rows(plan: BlamePlan, groups: Sequence[str]) -> Iterator[tuple[Any, NDArray[np.int64]]]:
    """Builds behind the indices, some whole rows at a time, and the samples of each."""
    size = len(groups) + 2
    step = max(BLOCK // size, 1)
    for first in range(0, plan.base, step):
        rows = np.arange(first, min(first + step, plan.base))
        picked = pick_freeze(groups, rows, plan.base)
        streams = np.repeat(rows, size)
        yield {**same_build(streams), **{GROUPS[k]: x for k, x in picked.items()}}, streams


def _trace(ensemble: Ensemble, model: _Model, numbers: Any, streams: NDArray[np.int64]) -> Watts:
    mirror = replace(ensemble.cooker.mirror, slope=model.slope, specularity=model.specularity)
    if not model.glass:
        mirror = replace(mirror, thin=True, bevel=0.0)
    cooker: Cooker = replace(ensemble.cooker, mirror=mirror)
    cooker = set_exactly(cooker, by_laser=model.tolerances.set_by == "laser")
    return ensemble.trace(
        model.tolerances,
        numbers,
        streams=streams,
        cooker=cooker,
        shape=ensemble.shape if model.broad_sun else _point_sun(),
    )


def _point_sun() -> Sunshape:
    table = np.zeros((2, 2))
    table.flags.writeable = False
    return Sunshape("uniform", 1e-12, 0.0, 1.0, table, 1e-12)


def _paired(more: Watts, less: Watts) -> tuple[float, float]:
    """Mean difference over builds, which share draws and samples, and its standard error. [W]"""
    apart = (more.builds - less.builds).reshape(-1, 2).mean(axis=1)  # mirror images together
    return float(apart.mean()), float(apart.std(ddof=1) / np.sqrt(len(apart)))


def put_together(ensemble: Ensemble, plan: BlamePlan, found: Mapping[str, Watts]) -> Blame:
    """Make a study of its ensembles.

    Parameters
    ----------
    ensemble : Ensemble
    plan : BlamePlan
    found : mapping from str to Watts
        From `iter_ensembles`.

    Returns
    -------
    Blame

    Raises
    ------
    StudyError
        If some are missing.
    """
    wanted = [*_models(ensemble), *(f"rows/{way}" for way in WAYS)]
    missing = [name for name in wanted if name not in found]
    if missing:
        raise StudyError(f"ensembles not done: {', '.join(missing)}")
    losses = np.full((4, len(WAYS), len(SOURCES)), np.nan)
    for i, way in enumerate(WAYS):
        for k, source in enumerate(SOURCES):
            name = f"{way}/{source.key}"
            if f"alone/{name}" in found:
                losses[:2, i, k] = _paired(found[NO_SOURCES], found[f"alone/{name}"])
                losses[2:, i, k] = _paired(found[f"without/{name}"], found[f"full/{way}"])
    return Blame(
        ensemble.scenario,
        plan,
        ensemble.conditions,
        found[NO_SOURCES],
        {way: replace(found[f"full/{way}"], group=2) for way in WAYS},
        np.isfinite(losses[0]),
        alone=losses[0],
        alone_se=losses[1],
        without=losses[2],
        without_se=losses[3],
        indices={
            way: indices(found[f"rows/{way}"].builds, _groups(ensemble, way), seed=plan.seed)
            for way in WAYS
        },
    )


def blame(
    scenario: Scenario,
    plan: BlamePlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> Blame:
    """Share out what a scenario's cooker loses among the sources of its errors.

    Parameters
    ----------
    scenario : Scenario
    plan : BlamePlan, optional
        Default: 200 builds, 1024 rows, the scenario's seed.
    path : path, optional
        Results file to write; ensembles already traced are kept beside it, and it is read if it
        holds this very study.
    overwrite : bool
        Begin again, whatever is there.
    progress : callable, optional
        Takes how many builds are done, and of how many.
    threads : int, optional
        Default: one per processor this process may use. Changes no bit of the result.
    command : str
        By which it is made; the results file says it.

    Returns
    -------
    Blame

    Raises
    ------
    StudyError
        If the cooker without any source brings nothing to the pot.
    GeometryError
        If a build's platform tilts into its pot.
    StoreError
        If the file holds another study, or can't be written.
    """
    plan = BlamePlan(seed=scenario.trace.seed) if plan is None else plan
    with work("blame", [scenario], plan, path, overwrite=overwrite) as kept:
        if kept.result is None:
            ensemble = design_ensemble(
                scenario,
                seed=plan.seed,
                beams=plan.beams,
                replicates=plan.replicates,
                threads=threads,
            )
            found = {name: Watts(**part) for name, part in kept.done.items()}
            builds = sum(_sizes(ensemble, plan).values())
            draws = causes_size(scenario, plan.unknown_rows)

            def told(done: float, begun: float = 0) -> None:
                if progress is not None:
                    progress(begun + done, builds + draws)

            for name, watts in iter_ensembles(
                ensemble, plan, done=found, progress=lambda done, _: told(done)
            ):
                found[name] = watts
                kept.keep(name, {"delivered": watts.delivered, "leaving": watts.leaving})
            study = put_together(ensemble, plan, found)
            if plan.unknown_rows:
                causes = find_causes(
                    scenario,
                    plan.unknown_rows,
                    seed=plan.seed,
                    progress=lambda done, _: told(done, builds),
                    threads=threads,
                )
                study = replace(study, causes=causes)
            kept.finish(study, command=command)
        result: Blame = kept.result
    return result
