"""Which way a facet must face, where it then sends the light, and what a small turn does.

All arrays are in the platform frame, one row per facet; directions to the light are unit vectors
from the facet toward the source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.exceptions import GeometryError

if TYPE_CHECKING:
    from raytrace.cooker.mirror import Mirror

__all__ = ["aim_normals", "axes", "direction", "spot_jacobian", "spots", "turn", "unit"]

Array = NDArray[np.float64]

FIXED_POINT_STEPS = 100


def unit(x: Array) -> Array:
    """Vectors of length 1 along the last axis.

    Parameters
    ----------
    x : ndarray, shape (..., 3)
        None of them 0.

    Returns
    -------
    ndarray, shape (..., 3)
    """
    return np.asarray(x / np.sqrt(dot(x, x))[..., None])


def dot(a: Array, b: Array) -> Array:
    """Product of vectors along the last axis; numpy's own sums over so few are slow."""
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2])


def direction(alpha: Array | float, gamma: Array | float = 0.0) -> Array:
    """Unit vector at an altitude and an azimuth.

    Parameters
    ----------
    alpha, gamma : array_like
        Altitude; azimuth clockwise from +y. [rad]

    Returns
    -------
    ndarray, shape (..., 3)
    """
    alpha, gamma = np.broadcast_arrays(np.asarray(alpha, float), np.asarray(gamma, float))
    level = np.cos(alpha)
    return np.stack([np.sin(gamma) * level, np.cos(gamma) * level, np.sin(alpha)], axis=-1)


def axes(n: Array, roll: Array | float = 0.0) -> tuple[Array, Array]:
    """In-plane axes u and v of facets with normals n.

    At zero roll u is the platform's x axis projected on the facet, so that neighbours don't
    twist; roll turns it about n.

    Parameters
    ----------
    n : ndarray, shape (F, 3)
        Unit normals.
    roll : ndarray, shape (F,), or float
        Turn about n. [rad]

    Returns
    -------
    u, v : ndarray, shape (F, 3)
        Unit vectors; v = n × u.

    Raises
    ------
    GeometryError
        If a facet faces along the platform's x axis.
    """
    u = np.array([1.0, 0.0, 0.0]) - n * n[:, :1]
    length = np.linalg.norm(u, axis=1, keepdims=True)
    if (length < 1e-9).any():
        raise GeometryError(
            "a facet faces along the platform's x axis, so that it has no level width",
            np.flatnonzero(length < 1e-9),
        )
    u = u / length
    v = np.cross(n, u)
    roll = np.broadcast_to(np.asarray(roll, dtype=float), n.shape[:1])[:, None]
    if np.any(roll != 0.0):
        u, v = np.cos(roll) * u + np.sin(roll) * v, np.cos(roll) * v - np.sin(roll) * u
    return u, v


def turn(n: Array, u: Array, v: Array, rotations: Array) -> Array:
    """Normals after small turns about u and v.

    Parameters
    ----------
    n, u, v : ndarray, shape (F, 3)
        Axes before.
    rotations : ndarray, shape (F, 2)
        One rotation vector per facet, its parts about u and about v. [rad]

    Returns
    -------
    n : ndarray, shape (F, 3)
        Exactly the old one where the rotation is zero.
    """
    about_u, about_v = rotations[:, :1], rotations[:, 1:]
    angle = np.hypot(about_u, about_v)
    # u × n = -v and v × n = u; np.sinc(x) is sin(πx)/(πx)
    return np.asarray(np.cos(angle) * n + np.sinc(angle / np.pi) * (about_v * u - about_u * v))


def aim_normals(
    mount: Array,
    mount_radius: Array,
    light: Array,
    aim: Array,
    *,
    mirror: Mirror | None = None,
    stand: Array | None = None,
    hit: Array | None = None,
) -> Array:
    """Normals that send light to the aim points.

    The front face stands a mount's radius off its turning centre, so turning a facet also moves
    it: both are solved together by fixed-point iteration, which converges because the radius is
    small against the distance to the aim.

    Parameters
    ----------
    mount : ndarray, shape (F, 3)
        Turning centres. [m]
    mount_radius : ndarray, shape (F,)
        From turning centre to front face. [m]
    light : ndarray, shape (F, 3)
        Direction to the light; not used where `stand` is given.
    aim : ndarray, shape (F, 3)
        Points to be lit. [m]
    mirror : Mirror, optional
        Whose glass shifts the light before it leaves; by default none does.
    stand : ndarray, shape (3,), optional
        Place of a laser that is swivelled from facet to facet. [m]
    hit : ndarray, shape (F, 3), optional
        Displacement of the beam from the facet's centre; the facet is turned until the light
        from the point that is really lit lands on the aim. [m]

    Returns
    -------
    n : ndarray, shape (F, 3)

    Raises
    ------
    GeometryError
        If some aim lies straight away from the light, where no mirror serves, or the
        iteration does not settle; with the rows of those facets.
    """
    out = np.empty((len(mount), 3))
    n = np.tile([0.0, 0.0, 1.0], (len(mount), 1))
    radius = mount_radius[:, None]
    light, aim = (np.broadcast_to(x, n.shape) for x in (light, aim))
    left = np.arange(len(n))  # each facet stops for itself: its bits don't depend on the others
    for _ in range(FIXED_POINT_STEPS):
        c = mount + radius * n
        towards = light
        lit = c
        if stand is not None or hit is not None:
            through = c if hit is None else c + hit
            towards = towards if stand is None else unit(stand - through)
            if hit is not None:
                across = dot(n, hit) / dot(n, towards)
                lit = through - across[:, None] * towards
        if mirror is not None:
            lit = lit + mirror.shift(n, towards)
        both = towards + unit(aim - lit)
        length = np.sqrt(dot(both, both))
        if (length < 1e-6).any():
            raise GeometryError(
                "an aim point lies straight away from the light, where no mirror serves",
                left[length < 1e-6],
            )
        new = both / length[:, None]
        off = np.abs(new - n)
        change = np.maximum(np.maximum(off[:, 0], off[:, 1]), off[:, 2])
        n, going = new, change >= 1e-15
        if not going.all():
            out[left[~going]] = n[~going]
            left, change = left[going], change[going]
            mount, radius, light, aim, n = (x[going] for x in (mount, radius, light, aim, n))
            hit = hit if hit is None else hit[going]
        if not len(left):
            return out
    if (change > 1e-12).any():
        raise GeometryError(
            "the mount's radius is too large against the way to the aim: no normal fits both",
            left[change > 1e-12],
        )
    out[left] = n
    return out


def spots(
    c: Array,
    n: Array,
    light: Array,
    plane_point: Array,
    plane_normal: Array,
    *,
    mirror: Mirror | None = None,
) -> Array:
    """Where the light that strikes the facets' centres lands on a plane.

    Parameters
    ----------
    c, n : ndarray, shape (F, 3)
        Lit points and normals.
    light : ndarray, shape (F, 3)
        Direction to the light.
    plane_point, plane_normal : ndarray, shape (3,)
        The plane.
    mirror : Mirror, optional
        Whose glass shifts the light before it leaves; by default none does.

    Returns
    -------
    spot : ndarray, shape (F, 3)
        inf or nan where the reflected ray runs along the plane. [m]
    """
    r = 2.0 * (n * light).sum(1, keepdims=True) * n - light
    c = c if mirror is None else c + mirror.shift(n, light)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = dot(plane_point - c, plane_normal) / dot(r, plane_normal)
        return np.asarray(c + t[:, None] * r)


def spot_jacobian(
    mount: Array,
    mount_radius: Array,
    n: Array,
    light: Array,
    plane_point: Array,
    plane_normal: Array,
    *,
    mirror: Mirror | None = None,
    step: float = 1e-5,
) -> Array:
    """How far the laser's spot moves when a facet turns on its mount.

    Central differences of the exact reflection; the error is of the order of the square of
    `step`, of the value.

    Parameters
    ----------
    mount, mount_radius, n, light, plane_point, plane_normal, mirror
        As in `aim_normals` and `spots`.
    step : float
        Turn used for the differences. [rad]

    Returns
    -------
    J : ndarray, shape (F, 3, 2)
        ∂spot/∂(rotation about u, rotation about v), platform frame. [m/rad]

    Raises
    ------
    GeometryError
        If a facet's beam runs along the plane.
    """
    u, v = axes(n)
    J = np.empty((len(n), 3, 2))
    for k in range(2):
        ends = []
        for sign in (1.0, -1.0):
            rotations = np.zeros((len(n), 2))
            rotations[:, k] = sign * step
            turned = turn(n, u, v, rotations)
            c = mount + mount_radius[:, None] * turned
            ends.append(spots(c, turned, light, plane_point, plane_normal, mirror=mirror))
        J[:, :, k] = (ends[0] - ends[1]) / (2.0 * step)
    along = ~np.isfinite(J).all(axis=(1, 2))
    if along.any():
        raise GeometryError(
            "its beam runs along the plane that the miss is measured on", np.flatnonzero(along)
        )
    return J
