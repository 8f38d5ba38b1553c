"""What an eye suffers that looks toward the mirrors."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.studies.stray.limits import (
    after_image_threshold,
    retinal_burn_threshold,
    retinal_irradiance,
)

__all__ = ["eye_load", "subtense"]

Array = NDArray[np.float64]


def subtense(solid_angle: ArrayLike) -> Array:
    """Width of a disc that fills a small solid angle.

    Parameters
    ----------
    solid_angle : array_like
        [sr]

    Returns
    -------
    ndarray
        [rad]

    Examples
    --------
    >>> round(float(subtense(6.793e-5)), 6)
    0.0093
    """
    return np.asarray(np.sqrt(4.0 * np.asarray(solid_angle, dtype=float) / np.pi))


def eye_load(irradiance: ArrayLike, fill: ArrayLike) -> tuple[Array, Array]:
    """Irradiance on the retina over what burns it, and over what leaves an after-image.

    Parameters
    ----------
    irradiance : array_like
        At the eye. [W/m²]
    fill : array_like
        Solid angle that shines; all of it counts as one disc. [sr]

    Returns
    -------
    burn, after_image : ndarray
        From 1 on the limit is passed within 0.15 s; 0 without light. [1]
    """
    E, w = np.broadcast_arrays(np.asarray(irradiance, dtype=float), subtense(fill))
    dark = ~((E > 0.0) & (w > 0.0))
    w = np.where(dark, 1.0, w)
    on_retina = np.where(dark, 0.0, retinal_irradiance(np.where(dark, 0.0, E), w))
    return on_retina / retinal_burn_threshold(w), on_retina / after_image_threshold(w)
