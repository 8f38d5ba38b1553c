"""A measured flux map beside the predicted one: how far they differ, and what would explain it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.csv_text import csv_text
from raytrace.exceptions import Problem, ScenarioError, StudyError
from raytrace.store.work import Progress, shares, work
from raytrace.studies.record.map_fit import (
    Fact,
    Fitted,
    Laid,
    better,
    correlation,
    first_look,
    fitted,
    laid_over,
    spread_out,
    tiles_of,
)
from raytrace.studies.record.map_readings import MapReading, Reader, map_stamp, read_map
from raytrace.studies.record.plate import Plate, plate_size, sun_then

if TYPE_CHECKING:
    from collections.abc import Callable

    from raytrace.scenario.schema import Scenario

__all__ = ["SpotMap", "SpotMapPlan", "invent_map", "spotmap"]

Array = NDArray[np.float64]

FAR, NEAR = 8.0, 0.25  # half-width of a measured map over the base's radius, at most and least
OCTAVES = (-2.0, -1.0, 0.0, 1.0, 2.0)  # of the setting error, that are traced
TOLD = 2.0  # standard errors by which one explanation fits better than another
# of an invented map: pot out of place [m], mirrors duller, noise over the peak
PLACE, DULLER, NOISE = (12e-3, -7e-3), 0.08, 0.02


@dataclass(frozen=True)
class SpotMapPlan:
    """How a map is read, and how much to compute.

    Attributes
    ----------
    reader : Reader
    at : str
        When it was measured, by the site's clock; at the design sun if empty.
    turn, size : bool
        Fit a turn and a size of the map too.
    builds : int
        Cookers built alike, whose mean is the prediction; 2 or more. [1]
    beams : int
        A facet, in each of a build's two replicates. [1]
    seed : int
    """

    reader: Reader = field(default_factory=Reader)
    at: str = ""
    turn: bool = False
    size: bool = False
    builds: int = 16
    beams: int = 8
    seed: int = 1

    def __post_init__(self) -> None:
        if self.builds < 2:
            raise StudyError("builds must be 2 or more: their spread says what differs anyway")


@dataclass(frozen=True, eq=False)
class SpotMap:
    """A measured map against the predicted one.

    Attributes
    ----------
    scenario : Scenario
    plan : SpotMapPlan
    reading : MapReading
    sun_altitude, dni : float
        When it was measured. [rad], [W/m²]
    base_radius : float
        Of the pot's base. [m]
    predicted : ndarray, shape (Y, X)
        Mean over builds, on the cells that were measured. [W/m²]
    laid : ndarray, shape (Y, X)
        The same, moved and scaled to the measured map. [W/m²]
    scale : Fact
        Measured light over predicted; of a map without a scale in its own unit over W/m².
    light : Fact
        Even light besides, over the peak of the prediction laid over.
    right, ahead : Fact
        How far the measured spot lies to the platform's right and toward the sun's side of the
        predicted one, in mm.
    turn, size : Fact or None
        Turned anticlockwise by so many degrees, seen from above; larger by this share.
    setting : Fact or None
        Setting error over the scenario's, as doublings beyond what single builds look like; None
        where the scenario has none.
    higher, aside : Fact
        The light comes as from a sun so many degrees higher, and further to the right, than the
        facets are set for: the other explanation of a spot that lies elsewhere.
    pot_better : float
        By how many standard errors a pot out of place fits better than this. [1]
    before, after : float
        Correlation with the predicted map as it is, and laid over. [1]
    explained : float
        Share of the squared difference that is gone when it is laid over. [1]
    because : tuple of str
        What explains the difference: "pot", "direction", "setting", "brightness"; the first two
        both where the map can't tell them apart.
    """

    scenario: Scenario
    plan: SpotMapPlan
    reading: MapReading
    sun_altitude: float
    dni: float
    base_radius: float
    predicted: Array
    laid: Array
    scale: Fact
    light: Fact
    right: Fact
    ahead: Fact
    turn: Fact | None
    size: Fact | None
    setting: Fact | None
    higher: Fact
    aside: Fact
    pot_better: float
    before: float
    after: float
    explained: float
    because: tuple[str, ...]

    APART: ClassVar = ("predicted", "laid")


def spotmap(
    scenario: Scenario,
    measured: Path | str,
    plan: SpotMapPlan | None = None,
    *,
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> SpotMap:
    """Compare a measured flux map of the base's plane with the predicted one.

    Parameters
    ----------
    scenario : Scenario
        As the cooker was built; its `sky.dni` is the irradiance while it was measured.
    measured : path
        Table (.csv) with columns such as x_mm, y_mm and W_m2 (or grey), a table of nothing but
        numbers, or a grey picture; see `raytrace.studies.record.map_readings`.
    plan : SpotMapPlan, optional
    path : path, optional
        Results file (.h5) to write.
    overwrite : bool
        Compute again, whatever of this program's is there.
    progress : callable, optional
        Called with how much is done, and of how much.
    threads : int, optional
        Changes no bit of the result.
    command : str
        Kept in the file as what made it.

    Returns
    -------
    SpotMap

    Raises
    ------
    ScenarioError
        If the map can't be used; names its file.
    SkyError
        If the time can't be read, or the sun is down then.
    StudyError
        If no light is predicted there.
    StoreError
        If the path holds another study, or can't be written.

    Notes
    -----
    The pot is replaced by a plate in the plane of its base, as wide as the map. Each build's map,
    turned rightly and its pot in its place, is fitted like the measured one, and their spread is
    what needs no explanation. Whether the pot
    stood elsewhere or the light came from elsewhere is judged by the map's shape: the first moves
    it as a whole, the second moves each facet's spot by its distance.
    """
    plan = SpotMapPlan(seed=scenario.trace.seed) if plan is None else plan
    reading = read_map(Path(measured), plan.reader)
    with work(
        "spotmap",
        [scenario],
        plan,
        path,
        overwrite=overwrite,
        in_parts=False,
        measured=map_stamp(Path(measured)),
    ) as kept:
        if kept.result is None:
            found = _compared(scenario, reading, plan, threads, shares(progress))
            kept.finish(found, command=command)
        return cast("SpotMap", kept.result)


def _plate(
    scenario: Scenario, plan: SpotMapPlan, half: float, width: float, threads: int | None
) -> Plate:
    """Plate for a map of this half-width and width of cells."""
    R, bins = plate_size(scenario, half, width)
    sun = sun_then(scenario, plan.at)
    return Plate(scenario, sun, R, bins, plan.builds, plan.beams, plan.seed, threads=threads)


def _compared(
    scenario: Scenario,
    reading: MapReading,
    plan: SpotMapPlan,
    threads: int | None,
    tell: Callable[[float], None],
) -> SpotMap:
    base = float(scenario.pot.diameter) / 2.0
    x, y = np.meshgrid(reading.x, reading.y)
    half = float(max(np.abs(reading.x).max(), np.abs(reading.y).max()))
    if not NEAR * base <= half <= FAR * base:
        words = (
            f"reaches {1e3 * half:.3g} mm from the base's middle, whose radius is "
            f"{1e3 * base:.3g} mm. Check the scale, the unit and the centre."
        )
        raise ScenarioError(reading.source, [Problem("map", words)])
    plate = _plate(scenario, plan, half, float(reading.x[1] - reading.x[0]), threads)
    known = np.isfinite(reading.value) & (np.hypot(x, y) <= max(half, base))
    px, py, value = x[known], y[known], reading.value[known]
    tile = tiles_of(px, py, max(half, base))
    built = plate.maps()
    predicted = Laid(plate.R, np.mean(built, axis=0))
    if not predicted.flux.max() > 0.0:
        raise StudyError("no light is predicted on the map: check the scenario at this sun")
    tell(0.2)
    names = ["x", "y", *(["turn"] if plan.turn else []), *(["size"] if plan.size else [])]
    start = dict.fromkeys(names, 0.0)

    def moved(p: dict[str, float]) -> Array:
        return laid_over(predicted, px, py, p)

    roughly = fitted(moved, value, tile, start | first_look(predicted, px, py, value))
    pot = _displaced(plate, (px, py, value, tile), roughly)
    none = dict.fromkeys(names, 0.0)

    # a single cooker's map is sharper than the mean: what its fit gives on average is the usual,
    # and by how much these differ is what needs no explanation
    each = [Laid(plate.R, flux).at(px, py) for flux in built]
    alike = [fitted(moved, one, tile, none, steps=8) for one in each]
    tell(0.4)

    def fact(found: Fitted, key: str, factor: float = 1.0) -> Fact:
        usual = float(np.mean([f.value[key] for f in alike]))
        spread = float(np.std([f.value[key] for f in alike], ddof=1))
        own = found.value[key] / usual if key == "scale" else found.value[key] - usual
        return Fact(factor * own, factor * found.se[key], factor * spread)

    setting = _setting(plate, (px, py, value, tile), pot, built) if _set(scenario) else None
    tell(0.7)
    direction = _direction(plate, (px, py, value, tile), pot, predicted)
    tell(1.0)
    pot_better = better(pot, direction, tile)
    right, ahead = fact(pot, "x", 1e3), fact(pot, "y", 1e3)
    scale = fact(pot if pot_better > 0.0 else direction, "scale")
    # brightness of builds in the map's own unit
    scale = replace(scale, spread=scale.spread * abs(scale.value))
    peak = float(predicted.flux.max()) * (pot.value["scale"] or 1.0)
    light = Fact(pot.value["light"] / peak, pot.se["light"] / abs(peak), 0.0)
    plain = moved(none)
    first = fitted(lambda _: plain, value, tile, {})
    off = value - plain if reading.absolute else first.left
    return SpotMap(
        scenario=scenario,
        plan=plan,
        reading=reading,
        sun_altitude=plate.sun.alpha,
        dni=plate.sun.dni,
        base_radius=base,
        predicted=predicted.at(x.ravel(), y.ravel()).reshape(x.shape),
        laid=spread_out(known, pot.model),
        scale=scale,
        light=light,
        right=right,
        ahead=ahead,
        turn=fact(pot, "turn", float(np.degrees(1.0))) if plan.turn else None,
        size=fact(pot, "size") if plan.size else None,
        setting=setting,
        higher=_degrees(direction, "altitude"),
        aside=_degrees(direction, "aside"),
        pot_better=pot_better,
        before=correlation(value, plain),
        after=correlation(value, pot.model),
        explained=1.0 - float(pot.left @ pot.left) / max(float(off @ off), 1e-300),
        because=_because(plan.builds, reading.absolute, scale, (right, ahead), setting, pot_better),
    )


def _degrees(found: Fitted, key: str) -> Fact:
    return Fact(float(np.degrees(found.value[key])), float(np.degrees(found.se[key])), 0.0)


def _set(scenario: Scenario) -> bool:
    return float(scenario.errors.setting) > 0.0


def _displaced(
    plate: Plate, seen: tuple[Array, Array, Array, NDArray[np.int64]], roughly: Fitted
) -> Fitted:
    """Fit again with the pot traced at the place found: its posts stand elsewhere in the light."""
    x, y, value, tile = seen
    shift = {k: roughly.value[k] for k in ("x", "y")}
    there = plate.mean(place=(-shift["x"], -shift["y"]))
    rest = {k: roughly.value[k] for k in ("turn", "size") if k in roughly.value}

    def model(p: dict[str, float]) -> Array:
        return laid_over(there, x, y, p)

    found = fitted(model, value, tile, {"x": 0.0, "y": 0.0} | rest)
    return replace(found, value=found.value | {k: found.value[k] + shift[k] for k in shift})


def _setting(
    plate: Plate,
    seen: tuple[Array, Array, Array, NDArray[np.int64]],
    pot: Fitted,
    builds: list[Array],
) -> Fact:
    """Doublings of the setting error that fit, beyond what single builds look like."""
    x, y, value, tile = seen
    maps = [plate.mean(octaves=k) for k in OCTAVES]
    step = OCTAVES[1] - OCTAVES[0]

    def model(p: dict[str, float]) -> Array:
        at = np.clip((p["setting"] - OCTAVES[0]) / step, 0.0, len(maps) - 1.0)
        low = min(int(at), len(maps) - 2)
        one, two = (laid_over(maps[k], x, y, p) for k in (low, low + 1))
        return np.asarray(one + (at - low) * (two - one))

    none = {"x": 0.0, "y": 0.0, "setting": 0.0}
    start = {k: pot.value[k] for k in pot.value if k not in ("scale", "light")}
    found = fitted(model, value, tile, start | {"setting": 0.0})
    usual = [
        fitted(model, Laid(plate.R, flux).at(x, y), tile, none, steps=12).value["setting"]
        for flux in builds
    ]
    return Fact(
        found.value["setting"] - float(np.mean(usual)),
        found.se["setting"],
        float(np.std(usual, ddof=1)),
    )


def _direction(
    plate: Plate,
    seen: tuple[Array, Array, Array, NDArray[np.int64]],
    pot: Fitted,
    predicted: Laid,
) -> Fitted:
    """Fit a sun that stands elsewhere than the facets are set for, instead of a pot that does."""
    x, y, value, tile = seen
    known: dict[tuple[float, float], Laid] = {}

    def model(p: dict[str, float]) -> Array:
        off = p["altitude"], p["aside"]
        if off not in known:
            known[off] = plate.mean(off=off)
        return laid_over(known[off], x, y, {k: v for k, v in p.items() if k in ("turn", "size")})

    # how far the spot goes for a small turn of the light tells about where to begin
    off = plate.off_that_moves(predicted, np.array([pot.value["x"], pot.value["y"]]))
    start = dict(zip(("altitude", "aside"), off, strict=True))
    start |= {k: pot.value[k] for k in ("turn", "size") if k in pot.value}
    return fitted(model, value, tile, start, steps=6)


def _because(
    builds: int,
    absolute: bool,
    scale: Fact,
    shift: tuple[Fact, Fact],
    setting: Fact | None,
    pot_better: float,
) -> tuple[str, ...]:
    out = []
    if any(fact.is_off(builds) for fact in shift):
        out += ["pot"] * (pot_better > -TOLD) + ["direction"] * (pot_better < TOLD)
    # light from elsewhere changes the map's shape, which would pass for other setting errors
    if setting is not None and out != ["direction"] and setting.is_off(builds):
        out.append("setting")
    if absolute and scale.is_off(builds, 1.0):
        out.append("brightness")
    return tuple(out)


def invent_map(
    scenario: Scenario, *, seed: int = 1, build: int = 0, at: str = "", threads: int | None = None
) -> str:
    """Invent a measured map: one cooker of the scenario's, its pot out of place, its mirrors dull.

    Parameters
    ----------
    scenario : Scenario
    seed, build : int
        Key of the cooker and of the camera's noise.
    at : str
        As in `SpotMapPlan`.
    threads : int, optional

    Returns
    -------
    str
        CSV with columns x_mm, y_mm and W_m2: noisy, with dead pixels, and one corner missing.

    Raises
    ------
    SkyError
        If there is no direct sun.
    """
    half = 1.3 * float(scenario.pot.diameter) / 2.0
    plan = SpotMapPlan(at=at, beams=64, seed=seed)
    plate = _plate(scenario, plan, half, half / 24.0, threads)
    flux = Laid(plate.R, plate.one(build, place=PLACE))
    at_ = (np.arange(48) + 0.5) / 24.0 * half - half
    x, y = np.meshgrid(at_, at_)
    rng = np.random.default_rng([seed, build, 77])
    value = (1.0 - DULLER) * flux.at(x.ravel(), y.ravel()).reshape(x.shape)
    value += NOISE * value.max() * rng.standard_normal(value.shape)
    dead = rng.integers(0, 48, (6, 2))
    value[dead[:, 0], dead[:, 1]] = 0.0
    there = x + y < 1.5 * half
    dx, dy = (1e3 * v for v in PLACE)
    notes = [
        "An invented map, to try the command with: nobody measured it.",
        f"{scenario.title}: build {build} of seed {seed}; its pot stands {dx:g} mm to the right "
        f"and {-dy:g} mm away from the sun's side of its place, its mirrors send "
        f"{100.0 * DULLER:g} % less.",
        "x to the platform's right, y toward the sun's side, from the middle of the base.",
    ]
    rows = [
        [f"{1e3 * a:.2f}", f"{1e3 * b:.2f}", f"{v:.0f}"]
        for a, b, v in zip(x[there], y[there], value[there], strict=True)
    ]
    return csv_text(["x_mm", "y_mm", "W_m2"], rows, notes)
