"""What share of the light a mirror sends on in a beam, and how far its glass shifts that beam."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.exceptions import GeometryError

if TYPE_CHECKING:
    from raytrace.scenario.cooker_sections import Mirror as MirrorSection

__all__ = ["Mirror", "fresnel", "glass_reflectance", "mirror_from_scenario"]

Array = NDArray[np.float64]


def fresnel(theta_i: ArrayLike, *, index: float) -> tuple[Array, Array]:
    """Reflectance of one smooth surface of clear glass in air.

    Parameters
    ----------
    theta_i : array_like
        Angles of incidence, from 0 to π/2. [rad]
    index : float
        Refractive index of the glass.

    Returns
    -------
    across, along : ndarray, same shape
        Reflectance of light polarised across the plane of incidence (s) and in it (p).

    References
    ----------
    .. [1] M. Born and E. Wolf, Principles of Optics, 7th ed., Cambridge, 1999, section 1.5.2.

    Examples
    --------
    >>> s, p = fresnel(0.0, index=1.5)
    >>> round(float(s), 6), round(float(p), 6)
    (0.04, 0.04)
    """
    outside, inside = _cosines(theta_i, index)
    across = ((outside - index * inside) / (outside + index * inside)) ** 2
    along = ((index * outside - inside) / (index * outside + inside)) ** 2
    return np.asarray(across), np.asarray(along)


def _cosines(theta_i: ArrayLike, index: float) -> tuple[Array, Array]:
    """Cosines to the normal outside and inside the glass, kept off zero."""
    outside = np.clip(np.cos(np.asarray(theta_i, dtype=float)), 1e-16, 1.0)
    # This form of Snell's law stays exact at grazing light and at index 1.
    inside = np.sqrt((index - 1.0) * (index + 1.0) + outside * outside) / index
    return np.asarray(outside), np.asarray(inside)


def glass_reflectance(
    theta_i: ArrayLike, *, index: float, extinction: float, thickness: float, backing: float
) -> Array:
    """Reflectance of a clean glass mirror silvered on its back, unpolarised light.

    Parameters
    ----------
    theta_i : array_like
        Angles of incidence, from 0 to π/2. [rad]
    index : float
        Refractive index of the glass.
    extinction : float
        Extinction coefficient of the glass. [1/m]
    thickness : float
        Thickness of the glass. [m]
    backing : float
        Reflectance of the silver, seen from within the glass.

    Returns
    -------
    reflectance : ndarray, same shape

    Notes
    -----
    The front reflects ρ (Fresnel [1]_); what enters is absorbed along the refracted path there
    and back, a = exp(−2 K d / cos θ₂), and bounces between silver and front until it is out
    [2]_. Summed for each polarisation, then averaged: ρ + (1 − ρ)² a r_b / (1 − ρ a r_b).

    Faces are taken as parallel: all parts leave in one direction. The silver's own change with
    angle is left out. How far the light shifts is `Mirror.shift`'s.

    References
    ----------
    .. [1] M. Born and E. Wolf, Principles of Optics, 7th ed., Cambridge, 1999, section 1.5.2.
    .. [2] J. A. Duffie and W. A. Beckman, Solar Engineering of Thermal Processes, 4th ed.,
       Wiley, 2013, chapter 5 (absorption along the path, series of reflections); the sum for a
       silvered back is derived here.

    Examples
    --------
    >>> R = glass_reflectance(0.0, index=1.52, extinction=8.0, thickness=3e-3, backing=0.93)
    >>> round(float(R), 4)
    0.887
    """
    _, inside = _cosines(theta_i, index)
    there_and_back = np.exp(-2.0 * extinction * thickness / inside)
    total = np.zeros_like(inside)
    for front in fresnel(theta_i, index=index):
        inner = there_and_back * backing
        total = total + 0.5 * (front + (1.0 - front) ** 2 * inner / (1.0 - front * inner))
    return np.asarray(total)


@dataclass(frozen=True)
class Mirror:
    """Reflectance, dirt and roughness of the mirrors.

    Attributes
    ----------
    model : str
        "constant" or "glass" (silvered on its back).
    cleanliness : float
        Share of the reflected beam that dirt leaves in the beam. [1]
    slope : float
        σ of the surface's slope error, per axis. [rad]
    specularity : float
        σ of the scatter of the reflected beam, per axis. [rad]
    thickness : float
        Of the glass in front of the silver; 0, the default, for a mirror silvered on its front.
        [m]
    index : float
        Refractive index of the glass. [1]
    bevel : float
        Width of a bevelled or ground rim all round, which neither takes light in nor lets it
        out. [m]
    clean : float
        Reflectance when clean; constant model only. [1]
    extinction : float
        Extinction coefficient of the glass; glass model, as the next. [1/m]
    backing : float
        Reflectance of the silver seen from within the glass. [1]
    thin : bool
        Let light leave where it entered, whatever the thickness: reflectance stays, so that it
        shows what the shift costs.
    """

    model: str = "constant"
    cleanliness: float = 1.0
    slope: float = 0.0
    specularity: float = 0.0
    thickness: float = 0.0
    index: float = 1.52
    bevel: float = 0.0
    clean: float = 0.85
    extinction: float = 8.0
    backing: float = 0.93
    thin: bool = False

    def __post_init__(self) -> None:
        if self.model not in ("constant", "glass"):
            raise GeometryError(f'mirror model {self.model!r} must be "constant" or "glass"')
        for name in ("cleanliness", "clean", "backing"):
            check_share(f"the mirror's {name}", getattr(self, name))
        for name in ("slope", "specularity"):
            if not 0.0 <= getattr(self, name) <= 0.5 * np.pi:
                raise GeometryError(f"the mirror's {name} must lie in 0 to π/2 rad")
        if not 1.0 <= self.index < np.inf:
            raise GeometryError("the glass's index must be 1 or more")
        for name in ("extinction", "thickness", "bevel"):
            if not 0.0 <= getattr(self, name) < np.inf:
                raise GeometryError(f"the glass's {name} must be 0 or more")

    def reflectance(self, theta_i: ArrayLike) -> Array:
        """Specular, solar-weighted reflectance, dirt included.

        Parameters
        ----------
        theta_i : array_like
            Angles of incidence, from 0 to π/2. [rad]

        Returns
        -------
        reflectance : ndarray, same shape
        """
        theta_i = np.asarray(theta_i, dtype=float)
        if self.model == "glass":
            clean = glass_reflectance(
                theta_i,
                index=self.index,
                extinction=self.extinction,
                thickness=self.thickness,
                backing=self.backing,
            )
        else:
            clean = np.full(theta_i.shape, self.clean)
        return np.asarray(self.cleanliness * clean)

    def table(self, K: int = 513) -> Array:
        """Reflectance at equal steps of cos θᵢ, for kernels to interpolate.

        Parameters
        ----------
        K : int
            Number of knots, grazing (cos θᵢ = 0) and square on (1) included.

        Returns
        -------
        reflectance : ndarray, shape (K,)
        """
        return self.reflectance(np.arccos(np.linspace(0.0, 1.0, K)))

    @property
    def path_depth(self) -> float:
        """Thickness that light crosses before it is reflected, 0 if `thin`. [m]"""
        return 0.0 if self.thin else self.thickness

    def shift(self, n: Array, light: Array) -> Array:
        """From where light enters the glass to where it leaves, along the plate.

        Parameters
        ----------
        n, light : ndarray, shape (..., 3)
            Unit normals of the fronts, and directions to the light.

        Returns
        -------
        shift : ndarray, shape (..., 3)
            [m]

        Notes
        -----
        Down to the silver and up again the ray goes 2 d tan θ₂ along the plate, away from its
        source, with sin θ₂ = sin θᵢ / n by Snell's law [1]_. The few per cent that the front
        itself reflects, and what bounces more than once, are taken to leave there too.

        References
        ----------
        .. [1] M. Born and E. Wolf, Principles of Optics, 7th ed., Cambridge, 1999, section 1.5.1.

        Examples
        --------
        >>> light = np.array([np.sin(np.deg2rad(48.0)), 0.0, np.cos(np.deg2rad(48.0))])
        >>> x, _, _ = 1e3 * Mirror(thickness=3e-3).shift(np.array([0.0, 0.0, 1.0]), light)
        >>> round(float(x), 2)
        -3.36
        """
        cos_i = (n * light).sum(axis=-1, keepdims=True)
        dense = (self.index - 1.0) * (self.index + 1.0)
        across = np.sqrt(np.maximum(dense + cos_i**2, 1e-300))
        return np.asarray(-2.0 * self.path_depth / across * (light - cos_i * n))


def check_share(name: str, value: float) -> None:
    """GeometryError unless a value lies in 0 to 1."""
    if not 0.0 <= value <= 1.0:
        raise GeometryError(f"{name} must lie in 0 to 1")


def mirror_from_scenario(section: MirrorSection) -> Mirror:
    """Mirror that a scenario's [mirror] section describes.

    Parameters
    ----------
    section : raytrace.scenario.cooker_sections.Mirror
        `scenario.mirror`.

    Returns
    -------
    Mirror
    """
    common: dict[str, Any] = {
        "cleanliness": float(section.cleanliness),
        "slope": float(section.slope_error),
        "specularity": float(section.specularity),
        "thickness": float(section.thickness),
        "index": float(section.index),
        "bevel": float(section.bevel),
    }
    if section.model == "constant":
        return Mirror(model="constant", clean=float(section.reflectance), **common)
    return Mirror(
        model="glass",
        extinction=float(section.extinction),
        backing=float(section.backing),
        **common,
    )
