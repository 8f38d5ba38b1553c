"""Where light goes that the pot doesn't catch: irradiance at any point about a cooker."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.aiming import unit
from raytrace.cooker.geometry import Cooker
from raytrace.exceptions import GeometryError
from raytrace.optics.tracing import make_scene
from raytrace.parallel.interrupts import call
from raytrace.sky.sunshape import Sunshape

if TYPE_CHECKING:
    from raytrace.kernels.stray import Glow, Windows

__all__ = ["Irradiance", "StrayLight", "stray_light"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

STEPS = 1024  # of the table over t
LEVELS = 4  # of the table over cos² θ
RINGS = 200  # that the sun is cut into, disc and aureole each
TAIL = 4.5  # standard deviations of blur that count
SMALL = 5e-5  # blur below which the sun's edge stays as it is [rad]
PIECE = 4096  # points in one call of the kernel


@dataclass(frozen=True, eq=False)
class Irradiance:
    """Light from the mirrors at N points.

    Attributes
    ----------
    vector : ndarray, shape (N, 3)
        Sum over facets of irradiance times the direction it goes, platform frame. [W/m²]
    lit : ndarray of int64, shape (N,)
        Facets of which the point sees more than a hundredth of the light.
    fill : ndarray, shape (N,)
        Solid angle from which the light would come if all of it were as bright as the middle of its
        facet's image of the sun: what is seen shine, overlapping images counted each. [sr]
    """

    vector: Array
    lit: Whole
    fill: Array

    @property
    def facing(self) -> Array:
        """On a surface square to the mean direction of the light: the greatest, (N,). [W/m²]"""
        return np.asarray(np.linalg.norm(self.vector, axis=-1))

    def on(self, normal: ArrayLike) -> Array:
        """On surfaces of given normals, lit from their front.

        Parameters
        ----------
        normal : array_like, shape (3,) or (N, 3)
            Out of the surface's front, platform frame; length 1.

        Returns
        -------
        ndarray, shape (N,)
            What comes from the front less what comes from behind; 0 at least. [W/m²]
        """
        toward = -(self.vector * np.asarray(normal, dtype=float)).sum(axis=-1)
        return np.asarray(np.maximum(toward, 0.0))


@dataclass(frozen=True, eq=False)
class StrayLight:
    """A cooker under one sun, ready to be asked for its light at any point.

    Attributes
    ----------
    cooker : Cooker
        Its pot where it stands.
    sun : ndarray, shape (3,)
        Direction to the sun, platform frame.
    shape : Sunshape
    dni : float
        [W/m²]
    scale : float
        The sun's size over that of `shape`. [1]
    pot_there : bool
        Whether the pot stands there; its stand does.
    """

    cooker: Cooker
    sun: Array
    shape: Sunshape
    dni: float
    scale: float = 1.0
    pot_there: bool = True

    @cached_property
    def _made(self) -> tuple[Any, Windows, Glow]:
        from raytrace.kernels.stray import open_windows

        scene = make_scene(self.cooker, self.sun, self.shape, self.dni)
        mirror = self.cooker.mirror
        # a thousandth of the sun's size: all moments of a few days share a table
        glow = _glow(self.shape, mirror.slope, mirror.specularity, round(self.scale, 3))
        return scene, call(open_windows, scene, glow.sun, self.pot_there), glow

    @cached_property
    def _frame(self) -> Array:
        """The pot's, asked for again and again."""
        return self.cooker.pot.frame

    @property
    def rays(self) -> tuple[Array, Array]:
        """Centres and central rays of the facets that send out light, platform frame: (n, 3) each.

        The centres are in metres.
        """
        _, windows, _ = self._made
        shines = np.diff(windows.first_piece) > 0
        return self.cooker.facets.c[shines], windows.ray[shines] @ self._frame

    def at(self, points: ArrayLike) -> Irradiance:
        """Light of the mirrors at points.

        Parameters
        ----------
        points : array_like, shape (N, 3)
            Platform frame. [m]

        Returns
        -------
        Irradiance

        Raises
        ------
        GeometryError
            If the points aren't rows of three finite numbers.
        """
        from raytrace.kernels.stray import at_points

        p = np.asarray(points, dtype=float)
        if p.ndim != 2 or p.shape[1] != 3 or not np.isfinite(p).all():
            raise GeometryError("points must be rows of three finite numbers")
        seen = np.ascontiguousarray((p - self.cooker.pot.base) @ self._frame.T)
        vector, lit, fill = np.zeros((len(p), 3)), np.zeros(len(p), np.int64), np.zeros(len(p))
        for k in range(0, len(p), PIECE):
            here = slice(k, k + PIECE)
            call(
                at_points,
                seen[here],
                *self._made,
                self.pot_there,
                vector[here],
                lit[here],
                fill[here],
            )
        return Irradiance(vector @ self._frame, lit, fill)


def stray_light(
    cooker: Cooker,
    sun: ArrayLike,
    shape: Sunshape,
    *,
    dni: float,
    scale: float = 1.0,
    pot_there: bool = True,
) -> StrayLight:
    """Have a cooker's light computed at any point about it.

    Parameters
    ----------
    cooker : Cooker
        As built and posed.
    sun : array_like, shape (3,)
        Direction to the sun, platform frame; need not have length 1.
    shape : Sunshape
    dni : float
        Direct normal irradiance. [W/m²]
    scale : float
        The sun's size over that of `shape`. [1]
    pot_there : bool
        False for the empty stand.

    Returns
    -------
    StrayLight

    Notes
    -----
    A point sees the sun through each facet's outline as through a window. The irradiance is the
    integral of the sun's image, blurred by waviness and scatter, over the outline as the point sees
    it, without facets, posts and pot that stand in between. No random numbers: see
    `raytrace.kernels.stray`. Near a facet, where all of the image shows, it is reflectance × DNI;
    far from it, radiance times the solid angle, so that it falls with the square of the distance.

    Taken as they are for the middle of the sun: what is shaded, the shift in the glass,
    reflectance. The board under the facets stops nothing.

    Raises
    ------
    GeometryError
        If the sun is no direction, or the irradiance no number from 0 up.
    """
    s = np.asarray(sun, dtype=float)
    if s.shape != (3,) or not np.isfinite(s).all() or not s.any():
        raise GeometryError("sun must be one direction, three finite numbers")
    if not np.isfinite(dni) or dni < 0.0:
        raise GeometryError("dni must be a finite number of W/m², 0 or more")
    return StrayLight(cooker, unit(s), shape, float(dni), float(scale), pot_there)


@lru_cache(maxsize=64)
def _glow(shape: Sunshape, slope: float, scatter: float, scale: float) -> Glow:
    """How light spreads about a facet's central ray, for some slants of incidence."""
    from raytrace.kernels.stray import Glow

    cos2 = np.linspace(0.0, 1.0, LEVELS)
    sigma = np.sqrt(scatter**2 + 2.0 * slope**2 * (1.0 + cos2))
    sun = float(np.tan(shape.psi_max) * scale)
    t_max = sun + TAIL * float(sigma.max()) if sigma.max() > SMALL else sun
    t = np.linspace(0.0, t_max, STEPS)
    share = np.stack([_share_within(shape, scale, s, t) for s in sigma])
    share[:, -1] = 1.0
    g = np.empty_like(share)
    g[:, 1:] = share[:, 1:] / t[1:] ** 2
    g[:, 0] = g[:, 1] + (g[:, 1] - g[:, 2]) / 3.0  # even about the middle: no slope there
    disc = shape.radius * scale
    fine = float(np.hypot(disc, sigma.min()))
    return Glow(np.ascontiguousarray(g), t_max, fine, (0.5 * disc) ** 2)


def _share_within(shape: Sunshape, scale: float, sigma: float, t: Array) -> Array:
    """Share of the light within t = tan ψ of the middle, the sun blurred by σ per axis."""
    if sigma <= SMALL:
        return np.asarray(shape.cdf(np.arctan(t / scale)))
    from scipy.special import i0e

    edges = np.linspace(0.0, shape.radius, RINGS + 1)
    if shape.psi_max > shape.radius:
        edges = np.append(edges, np.geomspace(shape.radius, shape.psi_max, RINGS + 1)[1:])
    weight = np.diff(shape.cdf(edges))
    rings = scale * np.tan(np.sqrt(0.5 * (edges[1:] ** 2 + edges[:-1] ** 2)))
    near = np.exp(-0.5 * ((t[:, None] - rings) / sigma) ** 2) * i0e(t[:, None] * rings / sigma**2)
    # chances of a normal pair about a point of the ring to lie at t: Rice's density
    density = (near @ weight) * t / sigma**2
    step = t[1] - t[0]
    within = np.concatenate([[0.0], np.cumsum(0.5 * step * (density[1:] + density[:-1]))])
    return np.asarray(within / within[-1])
