"""A picture of the sun's own spot on the card beside the predicted one: where it lies, how large.

A camera's tone curve is not known, so only the order of its brightness from dark to bright is
trusted: each cell gets the irradiance that has its rank among the predicted ones, so that the
outline of every area encloses as much of the card as the predicted outline does. That says where
the light lies, and not how much of it there is. The spot's size needs the tone curve, and its doubt
is held in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import PictureError, SettingsError, StudyError
from raytrace.store.work import Progress, shares, work
from raytrace.studies.record.map_fit import (
    Fact,
    Fitted,
    Laid,
    correlation,
    first_look,
    fitted,
    laid_over,
    spread_out,
    tiles_of,
)
from raytrace.studies.record.plate import Plate, plate_size, sun_then

if TYPE_CHECKING:
    from raytrace.camera.sunlit import SunlitCard
    from raytrace.scenario.schema import Scenario

__all__ = ["SunSpot", "SunSpotPlan", "facets_named", "predicted_peak", "sunspot", "uncovered"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

CELLS = 32  # of a card's half-width, before there is a picture
ROUNDS = 3  # of ranking again where the spot was found
STEPS = 12  # of least squares in each
OUTLINE = 0.5  # of the predicted peak, that outlines enclose
# Exponents by which the light of ordinary cameras' pictures is off when the standard curve is
# undone, one standard deviation of their logarithm; common practice, no source.
TONE = 0.2
ALIKE = 0.5  # correlation below which no spot like the predicted one is there
FAINT = 0.05  # of the predicted peak, from which light counts as of the spot
MOST_CLIPPED = 0.6  # share of the spot's cells beyond the camera's limit
BEYOND = 1.25  # times the area beyond that limit, that outlines enclose at least


@dataclass(frozen=True)
class SunSpotPlan:
    """When the picture was taken, of which facets, and how much to compute.

    Attributes
    ----------
    at : str
        By the site's clock; at the design sun if empty.
    facets : tuple of str
        Those that were uncovered; all if empty.
    builds : int
        Cookers built alike, whose mean is the prediction; 2 or more. [1]
    beams : int
        A facet, in each of a build's two replicates. [1]
    seed : int
    """

    at: str = ""
    facets: tuple[str, ...] = ()
    builds: int = 16
    beams: int = 8
    seed: int = 1

    def __post_init__(self) -> None:
        if self.builds < 2:
            raise StudyError("builds must be 2 or more: their spread says what differs anyway")


@dataclass(frozen=True, eq=False)
class SunSpot:
    """The sun's spot on the card against the predicted one.

    Attributes
    ----------
    scenario : Scenario
    plan : SunSpotPlan
    source, dark : str
        Pictures' names, with the mirrors' light and without; the second empty if there is none.
    sun_altitude, dni : float
        When it was taken. [rad], [W/m²]
    base_radius : float
        Of the pot's base. [m]
    x, y : ndarray, shape (X,), (Y,)
        Middles of the cells from the base's middle, to the platform's right and toward the sun's
        side. [m]
    seen : ndarray, shape (Y, X)
        The picture, its cells given predicted irradiances by rank; nan where it isn't known.
        [W/m²]
    predicted : ndarray, shape (Y, X)
        Mean over builds. [W/m²]
    clipped : ndarray of bool, shape (Y, X)
        Beyond the camera's limit.
    right, ahead : Fact
        How far the spot lies to the platform's right and toward the sun's side of the predicted
        one, in mm.
    size : Fact
        Larger than predicted by this share; its standard error holds the tone curve's doubt.
    turn_right, tilt_up : float
        Sun that would move the predicted spot as far: further to the platform's right, and
        higher. [rad]
    outline : float
        Irradiance round whose area outlines are drawn, as predicted. [W/m²]
    overlap : float
        Share of the predicted outline's area that the seen one of the same area covers. [1]
    overlap_moved : float
        The same with the predicted one moved to the seen one's place. [1]
    alike : float
        Correlation with the prediction, moved. [1]
    alike_least : float
        The least of this between single builds and their mean. [1]
    print : float
        Share of the card that was left out for its print. [1]
    """

    scenario: Scenario
    plan: SunSpotPlan
    source: str
    dark: str
    sun_altitude: float
    dni: float
    base_radius: float
    x: Array
    y: Array
    seen: Array
    predicted: Array
    clipped: Mask
    right: Fact
    ahead: Fact
    size: Fact
    turn_right: float
    tilt_up: float
    outline: float
    overlap: float
    overlap_moved: float
    alike: float
    alike_least: float
    print: float

    APART: ClassVar = ("seen", "predicted", "clipped", "x", "y")

    @cached_property
    def uncovered(self) -> int:
        """How many facets send their light. [1]"""
        return uncovered(self.scenario, self.plan)


def facets_named(scenario: Scenario, text: str) -> tuple[str, ...]:
    """Facets of a list such as "A1-A4, C3", by the scenario's order.

    Parameters
    ----------
    scenario : Scenario
    text : str
        Labels and spans of them between commas.

    Returns
    -------
    tuple of str

    Raises
    ------
    SettingsError
        If a label is unknown, or nothing is named.

    Notes
    -----
    A span holds the facets of the rows and columns between its two.
    """
    facets = build_cooker(scenario).facets
    known = {label.casefold(): k for k, label in enumerate(facets.label)}

    def number(label: str) -> int:
        if (k := known.get(label.strip().casefold())) is None:
            raise SettingsError(
                f'"{label.strip()}": no facet has this label. They run from {facets.label[0]} to '
                f"{facets.label[-1]}"
            )
        return k

    named: set[int] = set()
    for part in filter(None, (p.strip() for p in text.split(","))):
        if part.casefold() in known:
            named.add(known[part.casefold()])
            continue
        ends = sorted(number(label) for label in part.replace("\N{EN DASH}", "-").split("-", 1))
        rows, columns = (sorted(v[ends].tolist()) for v in (facets.row, facets.column))
        inside = (facets.row >= rows[0]) & (facets.row <= rows[-1])
        inside &= (facets.column >= columns[0]) & (facets.column <= columns[-1])
        named |= set(np.flatnonzero(inside).tolist())
    if not named:
        raise SettingsError('name facets, such as "A1-A9, C3"')
    return tuple(facets.label[k] for k in sorted(named))


def uncovered(scenario: Scenario, plan: SunSpotPlan) -> int:
    """Count the facets that send their light.

    Parameters
    ----------
    scenario : Scenario
    plan : SunSpotPlan

    Returns
    -------
    int
    """
    return len(plan.facets) or int(build_cooker(scenario).facets.present.sum())


def sunspot(
    scenario: Scenario,
    card: SunlitCard,
    plan: SunSpotPlan | None = None,
    *,
    measured: str = "",
    path: Path | str | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
    command: str = "",
) -> SunSpot:
    """Lay a picture of the sun's spot over the predicted one.

    Parameters
    ----------
    scenario : Scenario
        As the cooker was built.
    card : SunlitCard
        From `raytrace.camera.sunlit.sunlit_card`.
    plan : SunSpotPlan, optional
    measured : str
        What tells this picture from another, such as a digest of its bytes.
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
    SunSpot

    Raises
    ------
    PictureError
        If the picture shows no spot like the predicted one, or too much of it is beyond the
        camera's limit; names its file.
    SkyError
        If the time can't be read, or the sun is down then.
    StudyError
        If no light is predicted there.
    StoreError
        If the path holds another study, or can't be written.

    Notes
    -----
    Ranks survive any rising tone curve, and so does what follows from them: where the spot lies,
    outlines of equal area and their overlap. Each build's own map is laid over the mean in the same
    way, and their spread is what needs no explanation. For the size, light is fitted as it comes
    out with the standard curve undone, and by how much the size changes when that light is off by
    a power of e^0.2 is taken as a standard error too.
    """
    plan = SunSpotPlan(seed=scenario.trace.seed) if plan is None else plan
    with work(
        "sunspot",
        [scenario],
        plan,
        path,
        overwrite=overwrite,
        in_parts=False,
        measured=f"{card.source} {card.dark} {measured}",
    ) as kept:
        if kept.result is None:
            told = shares(progress)
            kept.finish(_laid(scenario, card, plan, threads), command=command)
            told(1.0)
        return cast("SunSpot", kept.result)


def predicted_peak(
    scenario: Scenario, plan: SunSpotPlan, half: float, *, threads: int | None = None
) -> float:
    """Strongest light on the card, on average over cookers built alike, before a picture is taken.

    Parameters
    ----------
    scenario : Scenario
    plan : SunSpotPlan
    half : float
        Half the card's width. [m]
    threads : int, optional

    Returns
    -------
    float
        [W/m²]

    Raises
    ------
    SkyError
        If the time can't be read, or the sun is down then.
    """
    return float(_plate(scenario, plan, half, half / CELLS, threads).mean().flux.max())


def _plate(
    scenario: Scenario, plan: SunSpotPlan, half: float, width: float, threads: int | None
) -> Plate:
    """Plate for a card of this half-width and width of cells."""
    R, bins = plate_size(scenario, half, width)
    sizes = plan.builds, plan.beams, plan.seed
    sun = sun_then(scenario, plan.at)
    return Plate(scenario, sun, R, bins, *sizes, uncovered=plan.facets, threads=threads)


@dataclass(frozen=True, eq=False)
class _Cells:
    """What is known of the card: places, light, and which of it is beyond the camera's limit."""

    x: Array
    y: Array
    light: Array
    clipped: Mask
    tile: NDArray[np.int64]

    @cached_property
    def sure(self) -> _Cells:
        """Those whose light is known."""
        k = ~self.clipped
        return _Cells(self.x[k], self.y[k], self.light[k], self.clipped[k], self.tile[k])

    def ranked(self, predicted: Array) -> Array:
        """Irradiances that have the ranks of the light among those predicted on the same cells."""
        light = np.where(self.clipped, np.inf, self.light)
        order = np.argsort(light, kind="stable")
        out = np.empty(len(light))
        out[order] = np.sort(predicted)
        return out

    def moved(self, flux: Laid, shift: dict[str, float]) -> Array:
        return laid_over(flux, self.x, self.y, shift)

    def fit(self, flux: Laid, start: dict[str, float], rounds: int = ROUNDS) -> Fitted:
        """Shift that lays a map over the ranks of the light."""
        sure, found = self.sure, start
        for _ in range(rounds):
            value = self.ranked(self.moved(flux, found))[~self.clipped]
            fit = fitted(partial(sure.moved, flux), value, sure.tile, found, steps=STEPS)
            found = {k: fit.value[k] for k in ("x", "y")}
        return fit

    def fit_size(self, flux: Laid, start: dict[str, float], power: float = 1.0) -> Fitted:
        """Size and shift that lay a map over the light, taken to a power."""
        sure = self.sure
        light = np.maximum(sure.light, 0.0) ** power
        return fitted(partial(sure.moved, flux), light, sure.tile, start | {"size": 0.0})


def _laid(scenario: Scenario, card: SunlitCard, plan: SunSpotPlan, threads: int | None) -> SunSpot:
    base = float(scenario.pot.diameter) / 2.0
    x, y = np.meshgrid(card.x, card.y)
    half = float(max(np.abs(card.x).max(), np.abs(card.y).max()))
    plate = _plate(scenario, plan, half, float(card.x[1] - card.x[0]), threads)
    sun = plate.sun
    built = plate.maps()
    predicted = Laid(plate.R, np.mean(built, axis=0))
    if not predicted.flux.max() > 0.0:
        raise StudyError("no light is predicted on the card: check the scenario at this sun")
    known = np.isfinite(card.light) | card.clipped
    light = np.nan_to_num(card.light[known], nan=1.0)
    place = x[known], y[known]
    cells = _Cells(*place, light, card.clipped[known], tiles_of(*place, half))
    plain = predicted.at(*place)

    start = first_look(predicted, *place, cells.ranked(plain))
    fit = cells.fit(predicted, start)
    shift = {k: fit.value[k] for k in ("x", "y")}
    there = cells.moved(predicted, shift)
    seen = cells.ranked(there)
    alike = correlation(seen, there)
    level = OUTLINE * float(plain.max())
    if (least := int(BEYOND * cells.clipped.sum())) > (plain >= level).sum():
        level = float(np.sort(plain)[-least])  # what is cut off has no outlines inside
    inside = there >= level
    _refuse_useless(card, alike, float(cells.clipped.sum() / (there >= FAINT * there.max()).sum()))

    # a single cooker's spot is sharper than the mean: what its fit gives on average is the usual,
    # and by how much these differ is what needs no explanation
    none = {"x": 0.0, "y": 0.0}
    each = [
        _Cells(*place, Laid(plate.R, m).at(*place), 0 * cells.tile > 0, cells.tile) for m in built
    ]
    alone = [one.fit(predicted, none, rounds=2) for one in each]
    sized = [one.fit_size(predicted, none) for one in each]
    size = cells.fit_size(predicted, shift)
    other = cells.fit_size(predicted, shift, float(np.exp(TONE)))
    size.se["size"] = float(np.hypot(size.se["size"], other.value["size"] - size.value["size"]))

    outlined = _largest(seen, int((plain >= level).sum()))
    tilt_up, turn_right = plate.off_that_moves(predicted, np.array([shift["x"], shift["y"]]))
    return SunSpot(
        scenario=scenario,
        plan=plan,
        source=card.source,
        dark=card.dark,
        sun_altitude=sun.alpha,
        dni=sun.dni,
        base_radius=base,
        x=card.x,
        y=card.y,
        seen=spread_out(known, np.where(cells.clipped, there.max(), seen)),
        predicted=predicted.at(x.ravel(), y.ravel()).reshape(x.shape),
        clipped=card.clipped,
        right=_fact(fit, alone, "x", 1e3),
        ahead=_fact(fit, alone, "y", 1e3),
        size=_fact(size, sized, "size"),
        turn_right=turn_right,
        tilt_up=tilt_up,
        outline=level,
        overlap=_covered(plain >= level, outlined),
        overlap_moved=_covered(inside, _largest(seen, int(inside.sum()))),
        alike=alike,
        alike_least=min(correlation(one.model, one.model + one.left) for one in alone),
        print=card.print,
    )


def _refuse_useless(card: SunlitCard, alike: float, clipped: float) -> None:
    if clipped > MOST_CLIPPED:
        raise PictureError(
            card.source,
            f"{100.0 * clipped:.0f} % of the spot is brighter than the camera can tell. Cover more "
            "facets, or expose for the spot.",
        )
    if alike < ALIKE:
        raise PictureError(
            card.source,
            f"shows no spot like the predicted one: they correlate by {alike:.2f}, and "
            f"{ALIKE:g} is asked. Check the time (--at), which facets were uncovered (--facets), "
            "and that the card lay right.",
        )


def _fact(found: Fitted, each: list[Fitted], key: str, factor: float = 1.0) -> Fact:
    usual = [f.value[key] for f in each]
    own = found.value[key] - float(np.mean(usual))
    spread = float(np.std(usual, ddof=1))
    return Fact(factor * own, factor * found.se[key], factor * spread)


def _largest(values: Array, count: int) -> Mask:
    """The so many largest values."""
    out = np.zeros(len(values), dtype=bool)
    out[np.argsort(-values, kind="stable")[:count]] = True
    return out


def _covered(one: Mask, other: Mask) -> float:
    return float((one & other).sum() / max(int(one.sum()), 1))
