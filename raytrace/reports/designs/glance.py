"""A design at a glance in words: the answer first, then how sure it is, and against another one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from raytrace.heat.wanted import goal_of
from raytrace.reports.common.likely import expected_words, interval_words
from raytrace.reports.common.numbers import percent, plain, plus_minus
from raytrace.reports.common.times import date_words, hour_minute, lasting
from raytrace.reports.common.units import quantity, unit, volume
from raytrace.statistics.estimate import Estimate
from raytrace.statistics.likely import REPEATS
from raytrace.studies.cooking.never_boils import REASON_MEANINGS
from raytrace.studies.designs.glance import DRAWS, TARGET, Gap, gap

if TYPE_CHECKING:
    from raytrace.studies.designs.glance import Boil, Glance

__all__ = ["Figure", "Row", "figures", "gap_rows", "gap_words", "headline", "sureness", "under"]

SURE = 0.95
KILO = 1e3
FAINT = 0.01  # nobody cares for less [W]


class Figure(NamedTuple):
    """One number at a glance.

    Attributes
    ----------
    name, value, note : str
    """

    name: str
    value: str
    note: str


class Row(NamedTuple):
    """One number of two designs.

    Attributes
    ----------
    name, pinned, now, apart : str
        What differs, or that it can't be told.
    """

    name: str
    pinned: str
    now: str
    apart: str


def headline(glance: Glance) -> str:
    """The answer in a sentence.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    str
    """
    watts = float(glance.tally.delivered)
    shown = f"{plain(watts, 3)} W" if watts >= FAINT else "Nothing"
    delivers = f"{shown} on the pot's base"
    if glance.boil is None:
        return f"{delivers}." if glance.sun.time is None else f"{delivers}; the pot …"
    return f"{delivers}; {_boil_words(glance, glance.boil)}."


def _boil_words(glance: Glance, boil: Boil) -> str:
    water, goal = glance.scenario.kitchen.water, goal_of(glance.scenario)
    pot = f"the pot ({volume(water)})".replace(" L", "\N{NO-BREAK SPACE}L") if water else "the pot"
    boils, done = (
        lasting(float(x.value)) if math.isfinite(x.value) else "" for x in (boil.boils, boil.done)
    )
    came = [f"boils after {boils}"] if water and boils else []
    came += [f"is done after {done}"] if goal == "done" and done else []
    if came:
        return f"{pot} {' and '.join(came)}"
    warm = quantity("temperature", float(boil.highest.value), 0)
    return f"{pot} never {'boils' if water else 'is done'}: it gets to {warm}"


def under(glance: Glance) -> list[str]:
    """What stands under the answer: what may be expected, when, and why it doesn't boil.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    list of str
    """
    build = glance.plan.build
    out = []
    if glance.drawn is not None and glance.drawn.likely.high <= FAINT:
        out.append("Nothing reaches the base of any cooker built and used like this.")
    elif glance.drawn is not None:
        out += expected_words(glance.drawn.likely, "Such cookers deliver")
    out.append(f"The first figure and the map are of build {build}. {_when(glance)}")
    boil = glance.boil
    if boil is not None and boil.reason in REASON_MEANINGS and boil.reason != "boils":
        out.append(f"Why it never boils: {REASON_MEANINGS[boil.reason]}.")
    return out


def _when(glance: Glance) -> str:
    altitude = np.degrees(glance.sun.alpha)
    sun = f"the sun {altitude:.1f}° high, {glance.sun.dni:.0f} W/m²"
    time = glance.sun.time
    if time is None:
        return f"The sun never stands there at this site: {sun}; so no pot is put on."
    local = time.tz_convert(glance.scenario.site.timezone)
    day, at = date_words(local.date(), year=True), hour_minute(local)
    at_design = " (design sun)" if glance.plan.kind == "design" else ""
    put = "" if glance.boil is None else "; the pot is put on then"
    return f"{day}, {at}{at_design}: {sun}{put}."


def figures(glance: Glance) -> list[Figure]:
    """The other numbers.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    list of Figure
    """
    tally = glance.tally
    share = tally.intercept
    x, y = (quantity("length", float(v), 0) for v in tally.centroid.value)
    peak, suns = float(tally.peak_flux) / KILO, float(tally.concentration)
    lit = float(tally.delivered) > 0.0
    return [
        Figure(
            "Intercept", percent(float(share)), "of the light that leaves the mirrors unblocked"
        ),
        Figure(
            "Spot",
            quantity("length", float(tally.spot_radius), 0) if lit else "–",
            f"radius of 90 % of the watts, middle at {x} to the right, {y} toward the sun"
            if lit
            else "nothing arrives",
        ),
        Figure(
            "Peak flux",
            f"{plain(peak, 3)} kW/m²",
            f"{plain(suns, 3)} suns, in bins of {quantity('length', tally.bin_width, 1)}",
        ),
        Figure("Mean flux", f"{plain(float(tally.mean_flux) / KILO, 3)} kW/m²", "over the base"),
    ]


def sureness(glance: Glance) -> list[str]:
    """How sure the numbers are, each error by its name.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    list of str
    """
    got = glance.tally.delivered
    value, half = plus_minus(float(got), float(got.half_width(SURE)))
    relative = float(np.nan_to_num(got.relative_se))
    enough = "as fine as wanted" if glance.settled else f"wanted {100.0 * TARGET:g} %"
    out = [
        f"Build {glance.plan.build} by its samples alone: {value} ± {half} W (95 %), from "
        f"{glance.tally.n_samples} {glance.tally.estimator}; standard error "
        f"{plain(100.0 * relative, 2)} %, {enough}."
    ]
    drawn = 0 if glance.drawn is None else len(glance.drawn)
    if glance.drawn is not None:
        spread = plain(glance.drawn.likely.builds, 2)
        out.append(f"Spread between builds: {spread} W (one standard deviation).")
    out.append(f"Cookers drawn: {drawn} of {DRAWS}.")
    if (boil := glance.boil) is not None:
        known = [("boils", boil.boils), ("is done", boil.done)]
        for name, time in known:
            if math.isfinite(time.value) and math.isfinite(time.se):
                low, high = (
                    lasting(max(float(time.value + sign * time.half_width(SURE)), 0.0))
                    for sign in (-1.0, 1.0)
                )
                out.append(f"By its samples and steps alone it {name} after {low} to {high}.")
            elif math.isfinite(time.value):
                out.append(f"Whether it {name} is borderline: within the samples' error.")
    return out


def gap_words(now: Glance, pinned: Glance) -> str:
    """Against the pinned design, in a sentence.

    Parameters
    ----------
    now, pinned : Glance

    Returns
    -------
    str
    """
    found = gap(now, pinned)
    likely = found.likely
    if now.scenario is pinned.scenario and now.plan.at == pinned.plan.at:
        return "This is the pinned design."
    if likely is None:
        return _built_words(found)
    if likely.low == likely.high == 0.0 == float(found.built):
        return "The same watts as the pinned design."
    mean = Estimate(np.array(likely.mean), np.array(likely.mean_se), REPEATS)
    if not mean.is_sure():
        return (
            "No difference in watts to be told from noise: "
            f"{interval_words(likely, 'W')} more than pinned, cooker by cooker (95 %)."
        )
    turns = (
        " Which is better differs from cooker to cooker." if likely.low * likely.high < 0 else ""
    )
    word = "more" if likely.mean > 0.0 else "less"
    sign = 1.0 if likely.mean > 0.0 else -1.0
    ends = sorted(sign * x for x in (likely.low, likely.high))
    middle, low, high = (plain(x, 2) for x in (sign * likely.mean, *ends))
    return (
        f"{middle} W {word} than pinned, surely; {low} to {high} W {word} for a cooker built and "
        f"used like this, the same for both (95 %).{turns}"
    )


def _built_words(found: Gap) -> str:
    value, half = float(found.built), float(found.built.half_width(SURE))
    if not found.built.is_sure():
        return "No difference in watts to be told from noise, so far."
    word = "more" if value > 0.0 else "less"
    figure, error = plus_minus(abs(value), half, digits=3)
    return f"{figure} ± {error} W {word} than pinned, build by build; more draws follow."


def gap_rows(now: Glance, pinned: Glance) -> list[Row]:
    """The numbers of two designs side by side.

    Parameters
    ----------
    now, pinned : Glance

    Returns
    -------
    list of Row
        Differences with their 95 % interval by samples; errors of all but the watts are taken as
        independent, which errs on the safe side.
    """
    a, b, spot = pinned.tally, now.tally, unit("length")
    rows = [
        _row("Delivered [W]", a.delivered, b.delivered, 1.0, gap(now, pinned).built),
        _row("Intercept [%]", a.intercept, b.intercept, 100.0),
        _row(f"Spot, 90 % radius [{spot.symbol}]", a.spot_radius, b.spot_radius, spot.per),
        _row("Peak flux [kW/m²]", a.peak_flux, b.peak_flux, 1.0 / KILO),
    ]
    if pinned.boil is not None and now.boil is not None:
        rows.append(_row("Boils after [min]", pinned.boil.boils, now.boil.boils, 1.0 / 60.0))
    return rows


def _row(
    name: str, pinned: Estimate, now: Estimate, scale: float, apart: Estimate | None = None
) -> Row:
    n = min(pinned.n_replicates, now.n_replicates)
    if apart is None:
        apart = Estimate(now.value - pinned.value, np.hypot(now.se, pinned.se), n)
    before, after = (plain(scale * float(x), 3) for x in (pinned, now))
    if not math.isfinite(apart.value):
        return Row(name, before, after, "–")
    if not apart.is_sure():
        return Row(name, before, after, "noise")
    half = scale * float(apart.half_width(SURE))
    value, error = plus_minus(scale * float(apart.value), half, digits=3)
    sign = "+" if apart.value > 0.0 else ""
    return Row(name, before, after, f"{sign}{value} ± {error}".replace("-", "\N{MINUS SIGN}"))
