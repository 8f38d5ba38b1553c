"""What a hot pot loses to air, sky and ground, and the vapour it gives off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.heat.faces import Faces, columns, outside, under_cover
from raytrace.heat.films import WATER_MOLE, open_film, water_film
from raytrace.heat.shell import Shell, shell
from raytrace.heat.vessel import STEFAN_BOLTZMANN, WATER_EMISSIVITY, Vessel, vessel_from_scenario
from raytrace.heat.water import Water, site_pressure, water_at
from raytrace.scenario.cooker_sections import SURFACES
from raytrace.scenario.use_sections import USUAL_AIR

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["LossTable", "Losses", "light_shares", "loss_table", "losses", "sky_temperature"]

Array = NDArray[np.float64]

COVER_EMISSIVITY = SURFACES["glass"].emissivity  # of a bag too: common practice, no source
VAPOUR_HEAT_CAPACITY = 1900.0  # near 60 °C [J/(kg K)]
COLDEST, HOTTEST_DRY = 190.0, 900.0  # of a pot [K]
_STEPS = 14  # of a search for a temperature


@dataclass(frozen=True, eq=False)
class Losses:
    """What leaves a pot, arrays of one shape.

    Attributes
    ----------
    convection, radiation : ndarray
        [W]
    vapour : ndarray
        [kg/s]
    """

    convection: Array
    radiation: Array
    vapour: Array


def sky_temperature(around: ArrayLike, humidity: ArrayLike, water: Water) -> Array:
    """Temperature of a black body that radiates as the clear sky does.

    Parameters
    ----------
    around : array_like
        Of the air near the ground. [K]
    humidity : array_like
        Relative, 0 to 1.
    water : Water
        At the site's pressure.

    Returns
    -------
    T : ndarray
        [K]

    Notes
    -----
    An emissivity of 0.711 + 0.56 t + 0.73 t² [1]_, t the dew point in units of 100 °C, that of the
    air near the ground; dew points beyond −30 and 30 °C count as these.

    References
    ----------
    .. [1] P. Berdahl and M. Martin, Emissivity of clear skies, Solar Energy 32 (1984) 663-664;
       the correction for pressure: M. Martin and P. Berdahl, Characteristics of infrared sky
       radiation in the United States, Solar Energy 33 (1984) 321-336. From memory, without the
       term for the hour.
    """
    around = np.asarray(around, dtype=float)
    vapour = np.asarray(humidity) * water.vapour_pressure(around)
    dew = np.clip(water.dew_point(np.maximum(vapour, 1.0)) - 273.15, -30.0, 30.0)
    emissivity = 0.711 + 0.0056 * dew + 7.3e-5 * dew**2 + 1.2e-6 * (water.pressure - 1e5)
    return np.asarray(around * np.clip(emissivity, 0.3, 1.0) ** 0.25)


def losses(
    vessel: Vessel,
    water: Water,
    T: ArrayLike,
    *,
    around: ArrayLike,
    wind: ArrayLike,
    humidity: ArrayLike,
) -> Losses:
    """Heat and vapour that leave a pot of one temperature.

    Parameters
    ----------
    vessel : Vessel
    water : Water
        At the site's pressure.
    T : array_like
        Of pot and contents. [K]
    around : array_like
        Of the air. [K]
    wind : array_like
        [m/s]
    humidity : array_like
        Relative, 0 to 1.

    Returns
    -------
    Losses
        Arrays of the shape to which the four broadcast.

    Notes
    -----
    Base and wet wall are as warm as the contents; the wall above the water and the lid are cooler
    (see `raytrace.heat.shell`), but for a dry pot's. They lose heat to the air (see
    `raytrace.heat.films`) and radiate: the lid to the sky, the wall half to the sky and
    half to ground as warm as the air, the base to the ground and the mirrors, which are as warm as
    the air too. The rim gives no shelter from wind. No dew forms on a cold pot.

    An open pot gives off vapour through a film of air, by the analogy of heat and mass transfer
    with Stefan's flow [1]_: per area and time g ln((1 − y∞)/(1 − y)) moles; that flow also
    weakens the surface's own convection by φ/(exp φ − 1). This flow would be without bound as
    the surface comes to boil; but the water has to bring up the heat that leaves with it, by
    convection of its own, so that the surface is cooler than the water below, by some 10 K near
    boiling. Both together agree with measurements within their scatter (tests/heat/test_losses.py).
    A lid lets a stated share of an open pot's vapour out.

    A cover's temperature is that at which it passes on what it receives: from the pot across the
    gap, by convection, radiation and by vapour that condenses on it and drips off.

    References
    ----------
    .. [1] R. B. Bird, W. E. Stewart and E. N. Lightfoot, Transport Phenomena, 2nd ed., Wiley,
       2002, sections 18.2 and 22.8 (film theory).
    """
    T, around, wind, humidity = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (T, around, wind, humidity))
    )
    sky = sky_temperature(around, humidity, water)
    if vessel.cover == "none":
        out = _bare(vessel, water, T, around, sky, wind, humidity)
    else:
        out = _covered(vessel, water, T, around, sky, wind)
    return Losses(
        out.convection * vessel.film_factor, out.radiation, out.vapour * vessel.evaporation_factor
    )


def light_shares(scenario: Scenario) -> Shell:
    """Shares of the light absorbed evenly by wall and lid that the water gets.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Shell
        With the water halfway from the air's temperature to boiling, in the scenario's own air,
        or what is usual where a weather file says: the rest goes to the air above the water.
    """
    vessel, water = vessel_from_scenario(scenario), water_at(site_pressure(scenario))
    around, wind = (
        np.asarray(usual if own is None else own)
        for own, usual in (
            (getattr(scenario.air, name), USUAL_AIR[name]) for name in ("temperature", "wind")
        )
    )
    T = 0.5 * (around + water.boiling)
    if vessel.cover == "none":
        sky = sky_temperature(around, scenario.air.humidity, water)
        faces = outside(
            vessel.R, vessel.height, vessel.emissivities, water.pressure, T, around, sky, wind
        )
    else:
        faces = under_cover(vessel, water.pressure, T, 0.5 * (T + around))
    return shell(vessel, water, T, faces)


def _shares(vessel: Vessel, water: Water, T: Array, faces: Faces) -> Array:
    """Of base, wall and lid: what each loses, of what it would lose as warm as the water."""
    return np.stack([np.ones_like(T), *shell(vessel, water, T, faces)])


def _bare(
    vessel: Vessel,
    water: Water,
    T: Array,
    around: Array,
    sky: Array,
    wind: Array,
    humidity: Array,
) -> Losses:
    p = water.pressure
    faces = outside(vessel.R, vessel.height, vessel.emissivities, p, T, around, sky, wind)
    shares = _shares(vessel, water, T, faces)
    if vessel.water > 0.0 and not vessel.lid:
        shares[2] = 0.0  # the water's own surface instead
    convection, radiation = faces.sums(shares)
    if vessel.water == 0.0:
        return Losses(convection, radiation, np.zeros_like(T))
    y = humidity * water.vapour_pressure(around) / p
    surface = _surface(vessel, water, T, around, y, sky, wind)
    heat, light, vapour = _from_surface(vessel, water, surface, around, y, sky, wind)
    if vessel.lid:
        return Losses(convection, radiation, vessel.lid_leak * vapour)
    return Losses(convection + heat, radiation + light, vapour)


def _from_surface(
    vessel: Vessel,
    water: Water,
    T: Array,
    around: Array,
    y_around: Array,
    sky: Array,
    wind: Array,
) -> tuple[Array, Array, Array]:
    """Convection [W], radiation [W] and vapour [kg/s] from a water surface at T."""
    # a surface at its boiling point would drive all air away
    y = np.minimum(water.vapour_pressure(T) / water.pressure, 1.0 - 1e-9)
    h, g = open_film(T, y, around, y_around, wind, pressure=water.pressure, R=vessel.R)
    flow = np.maximum(g * np.log((1.0 - y_around) / (1.0 - y)), 0.0) * WATER_MOLE
    phi = np.maximum(flow * VAPOUR_HEAT_CAPACITY / np.maximum(h, 1e-9), 1e-9)
    heat = vessel.disc * h * phi / np.expm1(np.minimum(phi, 500.0)) * (T - around)
    light = vessel.disc * WATER_EMISSIVITY * STEFAN_BOLTZMANN * (T**4 - sky**4)
    return heat, light, vessel.disc * flow


def _surface(
    vessel: Vessel,
    water: Water,
    T: Array,
    around: Array,
    y_around: Array,
    sky: Array,
    wind: Array,
) -> Array:
    """Temperature of the open surface over water at T. [K]"""

    def excess(surface: Array) -> Array:
        heat, light, vapour = _from_surface(vessel, water, surface, around, y_around, sky, wind)
        brought = water_film(T, surface, R=vessel.R) * (T - surface) * vessel.disc
        return np.asarray(heat + light + vapour * water.latent_heat(surface) - brought)

    return _solve(excess, T - 60.0, T)


def _covered(
    vessel: Vessel, water: Water, T: Array, around: Array, sky: Array, wind: Array
) -> Losses:
    p, still = water.pressure, np.zeros_like(T)
    R, height = vessel.R + vessel.cover_gap, vessel.height + 2.0 * vessel.cover_gap
    halfway = under_cover(vessel, p, T, cover=0.5 * (T + around))
    shares = _shares(vessel, water, T, halfway)

    def vapour(cover: Array) -> Array:
        y = np.minimum(water.vapour_pressure(cover) / p, 1.0 - 1e-9)
        surface = _surface(vessel, water, T, cover, y, cover, still)
        return _from_surface(vessel, water, surface, cover, y, cover, still)[2]

    def excess(cover: Array) -> Array:
        out = outside(R, height, (COVER_EMISSIVITY,) * 3, p, cover, around, sky, wind)
        net = np.asarray(sum(out.sums(np.ones(1))) - sum(_across(vessel, p, T, shares, cover)))
        if vessel.water > 0.0 and not vessel.lid:
            net = net - vapour(cover) * water.latent_heat(cover)
        return net

    low = np.minimum(T, np.minimum(around, sky))
    cover = _solve(excess, low, np.maximum(T, around))
    if vessel.water == 0.0:
        gone = still
    else:
        # what a lid lets out is too little to warm the cover
        gone = (vessel.lid_leak if vessel.lid else 1.0) * vapour(cover)
    return Losses(*_across(vessel, p, T, shares, cover), gone)


def _across(
    vessel: Vessel, pressure: float, T: Array, shares: Array, cover: Array
) -> tuple[Array, Array]:
    """Convection and radiation from a pot to what covers it. [W]

    Faces that see nothing but a grey cover act as one whose area times emissivity is the sum of
    theirs (Bergman et al., chapter 13: radiation between grey surfaces of an enclosure).
    """
    R, gap = vessel.R, vessel.cover_gap
    convection, black = under_cover(vessel, pressure, T, cover).sums(shares)
    outer = 2.0 * np.pi * (R + gap) * (R + vessel.height + 3.0 * gap)
    disc, side = vessel.disc, 2.0 * np.pi * R * vessel.height
    area = columns((disc, side, disc), T) * columns(vessel.emissivities, T)
    bounced = (shares * area).sum(axis=0) * (1.0 / COVER_EMISSIVITY - 1.0) / outer
    return convection, black / (1.0 + bounced)


def _solve(excess: Callable[[Array], Array], low: Array, high: Array) -> Array:
    """Zero of a rising function between bounds, each element its own, by the Illinois rule."""
    f_low, f_high = excess(low), excess(high)
    # a function that is positive (or negative) all along has its zero put at the bound
    f_low, f_high = np.minimum(f_low, 0.0), np.maximum(f_high, 0.0)
    side = np.zeros(np.shape(low))
    middle = high
    for _ in range(_STEPS):
        span = f_high - f_low
        share = np.where(span > 0.0, -f_low / np.where(span > 0.0, span, 1.0), 0.5)
        middle = low + share * (high - low)
        f = excess(middle)
        over = f > 0.0
        # a bound that stays twice counts half, so that it moves too
        f_low = np.where(over, np.where(side > 0.0, 0.5 * f_low, f_low), f)
        f_high = np.where(over, f, np.where(side < 0.0, 0.5 * f_high, f_high))
        low, high = np.where(over, low, middle), np.where(over, middle, high)
        side = np.where(over, 1.0, -1.0)
    return np.asarray(middle)


@dataclass(frozen=True, eq=False)
class LossTable:
    """Losses on a grid over the air's temperature, wind and humidity and the pot's temperature.

    Attributes
    ----------
    axes : ndarray, shape (3, 3)
        First knot, step and number of knots of the air's temperature [K], of the square root of
        the wind [(m/s)^½] and of the humidity.
    values : ndarray, shape (cells, K, 3)
        Convection [W], radiation [W], vapour [kg/s]; humidity runs fastest over the cells.
    T : ndarray, shape (K,)
        Of the pot, 1 K apart; up to the boiling point where there is water. [K]
    """

    axes: Array
    values: Array
    T: Array


# step and snap of each axis: bounds are rounded to the snap, so that tables are found again
_STEP = ((5.0, 10.0), (0.2, 1.0), (0.25, 1.0))


def loss_table(
    vessel: Vessel,
    water: Water,
    *,
    around: tuple[float, float],
    wind: tuple[float, float],
    humidity: tuple[float, float],
) -> LossTable:
    """Table of `losses` for air that varies within bounds.

    Parameters
    ----------
    vessel : Vessel
    water : Water
    around, wind, humidity : (float, float)
        Least and greatest; one knot where they are equal. [K], [m/s], [1]

    Returns
    -------
    LossTable
    """
    spans = (around, (np.sqrt(wind[0]), np.sqrt(wind[1])), humidity)
    axes = []
    for (low, high), (step, snap) in zip(spans, _STEP, strict=True):
        if low == high:
            axes.append((float(low), 1.0, 1))
        else:
            first = np.floor(low / snap) * snap
            count = round((np.ceil(high / snap) * snap - first) / step) + 1
            axes.append((float(first), step, count))
    return _table(vessel, water, tuple(axes))


@lru_cache(maxsize=16)
def _table(vessel: Vessel, water: Water, axes: tuple[tuple[float, float, int], ...]) -> LossTable:
    top = water.boiling if vessel.water > 0.0 else HOTTEST_DRY
    T = np.asarray(top - np.arange(int(top - COLDEST), -1, -1), dtype=float)
    knots = [first + step * np.arange(count) for first, step, count in axes]
    around, root, humidity, pot = np.meshgrid(*knots, T, indexing="ij")
    lost = losses(vessel, water, pot, around=around, wind=root**2, humidity=humidity)
    values = np.stack([lost.convection, lost.radiation, lost.vapour], axis=-1)
    return LossTable(np.array(axes), np.ascontiguousarray(values.reshape(-1, len(T), 3)), T)
