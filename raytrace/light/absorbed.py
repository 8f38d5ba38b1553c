"""What of the light on the pot turns to heat in it: from mirrors, sun, sky and ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raytrace.light.history import PotLight
from raytrace.light.setup import Setup

__all__ = ["absorbed", "diffuse", "direct"]

Array = NDArray[np.float64]


def absorbed(setup: Setup, light: PotLight) -> Array:
    """Watts that turn to heat in the pot.

    Parameters
    ----------
    setup : Setup
        Its scenario's pot, cover and albedo are read, and what its pot's base sees.
    light : PotLight

    Returns
    -------
    watts : ndarray, shape (N, n_replicates)
        [W]

    Notes
    -----
    Each surface takes its absorptance's share of the mirrors' light on it, of the direct sun and
    of the light of sky and ground. A cover lets its transmittance's share of all of it through.
    Of what lid and wall take up above the water, some goes to the air instead, see
    `raytrace.heat.losses.light_shares`. The mirrors' light on the wall counts as below the water,
    because what misses the base strikes the wall near it.
    """
    base, _, lid = _taken(setup)
    side = setup.scenario.pot.absorptance_side
    mirrored = base * light.base + side * light.side + lid * light.lid
    unmirrored = direct(setup, light) + diffuse(setup, light)
    return np.asarray(_through(setup) * mirrored + unmirrored[:, None])


def direct(setup: Setup, light: PotLight) -> Array:
    """Watts of direct sun on the pot that turn to heat in it.

    Parameters
    ----------
    setup : Setup
    light : PotLight

    Returns
    -------
    watts : ndarray, shape (N,)
        [W]

    Notes
    -----
    The sun meets the pot's outline: lid π R² cos ζ, wall 2 R h sin ζ, base π R² (−cos ζ) where it
    stands below the base's plane; ζ is the angle between the sun and the pot's axis, cos ζ no less
    than 0. Nothing shades the pot but the horizon.
    """
    pot = setup.scenario.pot
    base, side, lid = _taken(setup)
    R, cos = 0.5 * pot.diameter, light.on_axis
    disc = np.pi * R**2
    outline = (
        lid * disc * np.maximum(cos, 0.0)
        + side * 2.0 * R * pot.height * np.sqrt(1.0 - cos**2)
        + base * (1.0 - pot.support.covers) * disc * np.maximum(-cos, 0.0)
    )
    return np.asarray(_through(setup) * light.dni * outline)


def diffuse(setup: Setup, light: PotLight) -> Array:
    """Watts of the light of sky and ground on the pot that turn to heat in it.

    Parameters
    ----------
    setup : Setup
    light : PotLight

    Returns
    -------
    watts : ndarray, shape (N,)
        There under cloud and behind the horizon profile too. [W]

    Notes
    -----
    Sky and ground are even [1]_: the lid sees the sky alone, dhi; each strip of the upright wall
    sees half of each, ½ dhi + ½ ρ ghi with the albedo ρ; the base sees ρ ghi, and in the mirrors
    their reflectance's share of the sky, see `raytrace.cooker.views.base_view`.

    A pot that tilts along counts as upright: at the 10° of most spill limits a lid's share of the
    sky falls by 0.8 %. In the lower half of the wall's view mirrors count as ground: 0.3 W too much
    at the terrace's design sun, 1 W at the school kitchen's. Nothing hides the sky, and the sun
    lights all the ground, that in the cooker's shadow too.

    References
    ----------
    .. [1] B. Y. H. Liu and R. C. Jordan, The long-term average performance of flat-plate
       solar-energy collectors, Solar Energy 7 (1963) 53-74 (even sky; from memory).
    """
    pot, seen = setup.scenario.pot, setup.base_view
    base, side, lid = _taken(setup)
    R = 0.5 * pot.diameter
    disc, wall = np.pi * R**2, 2.0 * np.pi * R * pot.height
    sky, ground = light.dhi, setup.scenario.site.albedo * light.ghi
    on_base = (1.0 - pot.support.covers) * disc * (seen.sky * sky + seen.ground * ground)
    return np.asarray(
        _through(setup) * (lid * disc * sky + side * wall * 0.5 * (sky + ground) + base * on_base)
    )


def _taken(setup: Setup) -> tuple[float, float, float]:
    """Share of the light spread over base, wall and lid that turns to heat of the water."""
    pot, kept = setup.scenario.pot, setup.shares
    return (
        pot.absorptance_base,
        pot.absorptance_side * float(kept.wall),
        pot.absorptance_lid * float(kept.lid),
    )


def _through(setup: Setup) -> float:
    """Share of the light that the cover lets through."""
    kitchen = setup.scenario.kitchen
    return 1.0 if kitchen.cover == "none" else float(kitchen.cover_transmittance)
