"""From absorbed watts to the temperature of a pot and what is in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import HeatError
from raytrace.heat.losses import loss_table
from raytrace.heat.vessel import Ambient, Vessel, vessel_from_scenario
from raytrace.heat.water import Water
from raytrace.parallel.interrupts import call

__all__ = ["Ambient", "Energies", "Heating", "Vessel", "heat_up", "vessel_from_scenario"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Energies:
    """Where the heat of C cases went, each of shape (C,).

    absorbed + added = convection + radiation + evaporation + stored + discarded; heat of water
    and food is counted from the temperature at the start.

    Attributes
    ----------
    absorbed : ndarray
        Light that turned to heat. [J]
    added : ndarray
        Brought by water added later; 0 if it is as warm as that at the start was. [J]
    convection, radiation : ndarray
        Lost by the pot's outside. [J]
    evaporation : ndarray
        Taken along by vapour. [J]
    stored : ndarray
        In the pot at the end. [J]
    discarded : ndarray
        In batches taken off the cooker. [J]
    """

    absorbed: Array
    added: Array
    convection: Array
    radiation: Array
    evaporation: Array
    stored: Array
    discarded: Array


@dataclass(frozen=True, eq=False)
class Heating:
    """Temperatures of C pots at T times, and what became of each.

    Attributes
    ----------
    time : ndarray, shape (T,)
        [s]
    temperature : ndarray, shape (C, T)
        NaN before the pot is put on, and once it has run dry. [K]
    water : ndarray, shape (C, T)
        Left in the pot. [kg]
    boils, near : ndarray, shape (C,)
        When it first comes within 1 K, and within 5 K, of the boiling point; NaN never. [s]
    done : ndarray, shape (C,)
        When the food has been warm for long enough without a break; NaN never. [s]
    dry : ndarray, shape (C,)
        When the last water is gone; the count stops there. NaN never. [s]
    highest : ndarray, shape (C,)
        [K]
    settles : ndarray, shape (C,)
        Where it would settle under its best watts; the boiling point if they are enough. [K]
    holds : ndarray, shape (C,)
        Share of the hour after boiling, or of what is left of the time, for which it stays
        within 1 K of boiling; NaN where it never boils. [1]
    boiled_off : ndarray, shape (C,)
        Water gone as vapour. [kg]
    batches : ndarray, shape (C,)
        Pots brought to the boil, with the share of the last one; where they are refilled. [1]
    energies : Energies
    """

    time: Array
    temperature: Array
    water: Array
    boils: Array
    near: Array
    done: Array
    dry: Array
    highest: Array
    settles: Array
    holds: Array
    boiled_off: Array
    batches: Array
    energies: Energies

    @property
    def efficiency(self) -> Array:
        """Share of the heat put in that pot and contents took up, or boiled off; shape (C,)."""
        e = self.energies
        put_in = e.absorbed + e.added
        return 1.0 - (e.convection + e.radiation) / np.where(put_in > 0.0, put_in, np.nan)


def heat_up(
    vessel: Vessel,
    water: Water,
    time: ArrayLike,
    watts: ArrayLike,
    ambient: Ambient,
    *,
    start: ArrayLike = 0,
    start_temperature: ArrayLike | None = None,
    top_ups: Sequence[tuple[float, float, float]] = (),
    refill: bool = False,
    done: tuple[float, float] = (363.15, 0.0),
    rest: tuple[float, float] = (np.inf, 0.0),
) -> Heating:
    """Temperatures of pots under given watts.

    Parameters
    ----------
    vessel : Vessel
    water : Water
        At the site's pressure.
    time : array_like, shape (T,)
        Rising. [s]
    watts : array_like, shape (C, T − 1, 2)
        Absorbed at the start and at the end of each interval, straight between, so that it may
        jump from one interval to the next; (T − 1, 2) for one case. [W]
    ambient : Ambient
        In each interval the mean of its ends counts.
    start : array_like of int, shape (C,)
        Index of the time at which each pot is put on; one number for all.
    start_temperature : array_like, shape (C,), optional
        Of pot, water and food when put on; one number for all. By default that of the air, but
        no less than 1 °C. [K]
    top_ups : sequence of (float, float, float)
        Water added later: time since the pot was put on [s], mass [kg], temperature [K].
    refill : bool
        Whether each pot is emptied as soon as it boils, and filled again as at the start.
    done : (float, float)
        Food is done after it has been so long [s] without a break at or over a temperature [K]:
        (over, after).
    rest : (float, float)
        The pot is wrapped up out of the sun so long [s] after it boils, and loses then so much
        [W/K] for each degree over the air, by Newton's law of cooling, and no vapour.

    Returns
    -------
    Heating

    Raises
    ------
    HeatError
        If shapes don't fit, times don't rise, a number isn't finite or makes no sense, or a pot
        starts warmer than water boils.

    Notes
    -----
    Pot, water and food are one lump of one temperature; `raytrace.heat.losses` says what it loses.
    At the boiling point all surplus boils off. A pot whose water falls below a gram (or a
    thousandth of what was put in) counts as dry, and its count stops: what burns then is no
    question of heat alone. Food takes up no water, and its own water doesn't boil off.

    Examples
    --------
    A litre and a half under 700 W, lid on:

    >>> from raytrace.heat.water import water_at
    >>> pot = Vessel(R=0.12, height=0.15, water=1.5, shell=1000.0)
    >>> heating = heat_up(pot, water_at(101325.0), [0.0, 3600.0], [[700.0, 700.0]], Ambient())
    >>> round(float(heating.boils[0] / 60.0))
    16
    """
    from raytrace.kernels import simmer

    time = _finite("time", time)
    watts = _finite("watts", watts)
    if time.ndim != 1 or len(time) < 2 or not (np.diff(time) > 1e-3).all():
        raise HeatError("time must hold two or more rising numbers")
    if watts.ndim == 2:
        watts = watts[None]
    n = len(time)
    if watts.ndim != 3 or watts.shape[1:] != (n - 1, 2):
        raise HeatError(f"watts of shape {watts.shape} for {n} times: make it (C, {n - 1}, 2)")
    C = len(watts)
    first = np.ascontiguousarray(np.broadcast_to(np.asarray(start), C), dtype=np.int64)
    if not ((first >= 0) & (first < n)).all():
        raise HeatError(f"start must be an index of the {n} times")
    air, wind, humidity = (
        _by_case(name, getattr(ambient, name), C, n, low, high)
        for name, (low, high) in _AIR_BOUNDS.items()
    )
    if start_temperature is None:
        at_start = np.broadcast_to(air, (C, n))[np.arange(C), first]
        cold = np.maximum(at_start, min(_THAWED, water.boiling))
    else:
        cold = np.broadcast_to(_finite("start_temperature", start_temperature), C)
    added = _finite("top_ups", sorted(top_ups)).reshape(-1, 3)
    _check(vessel, water, cold, added, refill)

    means = [_mean(x) for x in (air, np.sqrt(wind), humidity)]
    table = loss_table(
        vessel,
        water,
        around=_span(means[0]),
        wind=_span(means[1] ** 2),
        humidity=_span(means[2]),
    )
    T_out, m_out = np.full((2, C, n), np.nan)
    out = simmer.Outcome(T_out, m_out, marks=np.empty((C, 9)), energy=np.empty((C, 7)))
    call(
        simmer.simmer,
        time,
        np.ascontiguousarray(watts),
        simmer.Weather(*means),
        simmer.Pots(
            start=first,
            cold=np.ascontiguousarray(cold),
            solid=vessel.solid,
            filled=vessel.water,
            boiling=water.boiling if vessel.water > 0.0 else np.inf,
        ),
        simmer.Tables(
            grid=np.array([table.T[0], table.T[1] - table.T[0]]),
            liquid=water.enthalpy(table.T),
            latent=water.latent_heat(table.T),
            axes=table.axes,
            values=table.values,
        ),
        simmer.Use(added, refill, *(float(x) for x in (*done, *rest))),
        out,
    )
    boils, near, ready, dry, highest, settles, holds, boiled_off, batches = out.marks.T.copy()
    return Heating(
        time=time,
        temperature=out.temperature,
        water=out.water,
        boils=boils,
        near=near,
        done=ready,
        dry=dry,
        highest=highest,
        settles=settles,
        holds=holds,
        boiled_off=boiled_off,
        batches=batches,
        energies=Energies(*out.energy.T.copy()),
    )


_THAWED = 274.15  # [K]
_AIR_BOUNDS = {"temperature": (193.15, 343.15), "wind": (0.0, 60.0), "humidity": (0.0, 1.0)}


def _finite(name: str, x: Any) -> Array:
    x = np.asarray(x, dtype=float)
    if not np.isfinite(x).all():
        raise HeatError(f"{name} must be finite numbers")
    return np.ascontiguousarray(x)


def _by_case(name: str, x: ArrayLike, C: int, n: int, low: float, high: float) -> Array:
    """Array of shape (C or 1, n or 1)."""
    values = _finite(f"the air's {name}", x)
    values = values.reshape((1,) * (2 - values.ndim) + values.shape)
    if values.ndim != 2 or values.shape[0] not in (1, C) or values.shape[1] not in (1, n):
        raise HeatError(f"the air's {name} has shape {np.shape(x)}: it must broadcast to {(C, n)}")
    if not ((values >= low) & (values <= high)).all():
        raise HeatError(f"the air's {name} must lie between {low:g} and {high:g}")
    return values


def _mean(x: Array) -> Array:
    """Of the ends of each interval."""
    return x if x.shape[1] == 1 else np.ascontiguousarray(0.5 * (x[:, 1:] + x[:, :-1]))


def _span(x: Array) -> tuple[float, float]:
    return float(x.min()), float(x.max())


def _check(vessel: Vessel, water: Water, cold: Array, added: Array, refill: bool) -> None:
    limit = water.boiling if vessel.water > 0.0 else 600.0
    if refill:
        limit -= 2.0
    if not ((cold >= 250.0) & (cold <= limit)).all():
        raise HeatError(
            f"a pot starts at {cold.max() - 273.15:.1f} degC: it must be between -23 degC and "
            f"{limit - 273.15:.1f} degC"
        )
    if refill and (vessel.water == 0.0 or len(added)):
        raise HeatError("refilling goes with a pot of water, and without top_ups")
    if len(added):
        if vessel.water == 0.0:
            raise HeatError("top_ups go with a pot that has water in it from the start")
        after, kg, warm = added.T
        if not ((after >= 0.0) & (kg >= 0.0) & (warm >= 250.0) & (warm <= water.boiling)).all():
            raise HeatError(
                "top_ups are (seconds since the start, kg, K): none negative, none over boiling"
            )
