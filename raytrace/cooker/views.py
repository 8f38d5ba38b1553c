"""What the pot's base sees: how much of its view each mirror fills, and what is seen in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker

__all__ = ["BaseView", "base_view", "disc_to_polygons"]

Array = NDArray[np.float64]

RINGS, SPOKES = 3, 12  # points of a disc


@dataclass(frozen=True)
class BaseView:
    """What the base sees, as shares of its view weighed by the cosine; the rest is dark.

    Attributes
    ----------
    sky : float
        In the mirrors, times their reflectance. [1]
    ground : float
        Ground and board, plainly, and in mirrors that throw its light up. [1]
    mirrors : float
        Mirrors, whatever is seen in them. [1]
    """

    sky: float
    ground: float
    mirrors: float


def base_view(cooker: Cooker, up: Array) -> BaseView:
    """View from the pot's base, where it stands.

    Parameters
    ----------
    cooker : Cooker
        Its pot as the platform sees it.
    up : ndarray, shape (3,)
        Unit vector to the zenith, platform frame.

    Returns
    -------
    BaseView

    Notes
    -----
    Each mirror is followed along the ray from its centre to the base's: whether sky or ground is
    seen in it, and at which angle it reflects. What mirrors hide of each other is left out, so
    that where they crowd the mirrors' share is an upper bound. Board and ground are taken as one,
    below and in full light.
    """
    facets, pot = cooker.facets, cooker.pot
    d = facets.c - pot.base
    d = d / np.linalg.norm(d, axis=1, keepdims=True)
    cos = -(d * facets.n).sum(axis=1)
    which = np.flatnonzero(facets.present & (cos > 0.0))
    d, cos, n = d[which], cos[which], facets.n[which]
    frame = pot.frame
    outlines = (facets.outlines(which) - pot.base) @ frame.T
    seen = disc_to_polygons(pot.R, outlines * [1.0, 1.0, -1.0])
    lit = seen * facets.reflectance[which] * cooker.mirror.reflectance(np.arccos(cos))
    to_sky = (d + 2.0 * cos[:, None] * n) @ up > 0.0
    mirrors = float(seen.sum())
    return BaseView(
        sky=float(lit[to_sky].sum()),
        ground=float(lit[~to_sky].sum()) + max(1.0 - mirrors, 0.0),
        mirrors=mirrors,
    )


def disc_to_polygons(R: float, polygons: Array) -> Array:
    """View factors from a disc in the plane z = 0 about the origin, facing +z, to flat polygons.

    Parameters
    ----------
    R : float
        Radius of the disc. [m]
    polygons : ndarray, shape (F, k, 3)
        Corners in order; repeated ones do no harm. What lies below z = 0 is not seen. [m]

    Returns
    -------
    share : ndarray, shape (F,)
        Of the light that the disc would send out evenly (Lambert), what each would get. [1]

    Notes
    -----
    From a point the contour integral round a polygon is a sum over its edges, exact [1]_; over
    the disc it is averaged at points of a Gauss rule in r² times even steps round the axis.

    References
    ----------
    .. [1] J. R. Howell, M. P. Mengüç and R. Siegel, Thermal Radiation Heat Transfer, 6th ed.,
       CRC, 2016, chapter 5 (configuration factors by contour integration; from memory).

    Examples
    --------
    >>> wide = 50.0 * np.array([[-1, -1, 0.02], [1, -1, 0.02], [1, 1, 0.02], [-1, 1, 0.02]])
    >>> disc_to_polygons(0.1, wide[None]).round(3).tolist()
    [1.0]
    """
    knots, weights = np.polynomial.legendre.leggauss(RINGS)
    r = R * np.sqrt(0.5 * (1.0 + knots))
    phi = 2.0 * np.pi * (np.arange(SPOKES) + 0.5) / SPOKES
    x, y = (np.outer(r, f(phi)).ravel() for f in (np.cos, np.sin))
    weight = np.repeat(0.5 * weights / SPOKES, SPOKES)
    points = np.stack([x, y, np.zeros_like(x)], axis=1)

    corners = polygons if (polygons[..., 2] >= 0.0).all() else _above(polygons)
    ray = corners[:, None] - points[:, None]  # (F, P, k, 3)
    ray = ray / np.sqrt((ray**2).sum(axis=-1, keepdims=True))
    after = np.roll(ray, -1, axis=2)
    cos = np.minimum((ray * after).sum(axis=-1), 1.0)
    # angle over sine, 1 where two corners are one
    stretch = np.where(cos < 1.0, np.arccos(cos) / np.sqrt(np.maximum(1.0 - cos**2, 1e-300)), 1.0)
    edge = stretch * (ray[..., 0] * after[..., 1] - ray[..., 1] * after[..., 0])
    return np.asarray(np.abs(edge.sum(axis=-1)) @ weight / (2.0 * np.pi))


def _above(polygons: Array) -> Array:
    """Part of each convex polygon at z ≥ 0, shape (F, 2 k, 3); else one point alone."""
    a, b = polygons, np.roll(polygons, -1, axis=1)
    up, then_up = a[..., 2] >= 0.0, b[..., 2] >= 0.0
    fall = np.where(up == then_up, 1.0, a[..., 2] - b[..., 2])
    crossing = a + (a[..., 2] / fall)[..., None] * (b - a)
    falls = np.logical_and(up, ~then_up)
    under = crossing[np.arange(len(a)), np.argmax(falls, axis=1)]
    rim = np.where(np.any(falls, axis=1, keepdims=True), under, [1.0, 0.0, 0.0])
    # what lies below shrinks to the point at which the outline goes under
    first = np.where(up[..., None], a, rim[:, None])
    last = np.where(then_up[..., None], np.where(up[..., None], b, crossing), rim[:, None])
    return np.stack([first, last], axis=2).reshape(len(a), -1, 3)
