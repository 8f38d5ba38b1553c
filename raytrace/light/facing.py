"""A cooker as built under many sun positions, turned to each or left as it was.

Watts here are for an irradiance of 1 W/m², so that suns of different days can be compared. Each
repeat has its own random draws in turning and its own samples; all suns share both unless keys say
otherwise, so that curves over the sun's altitude are smooth and their roots sharp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raytrace.cooker.pose import Poses
from raytrace.light.placed import placed, turned
from raytrace.light.setup import LightSettings, Setup, design_sun, faced_from, set_up, stand
from raytrace.optics.tally import BASE
from raytrace.sky.ground import ground_of
from raytrace.sky.sun import sun_direction

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["Facing", "facing"]

Array = NDArray[np.float64]

AT_ONCE = 8192  # cases in one call
REPLICATES = 2  # of each case, the fewest that can be traced


@dataclass(frozen=True, eq=False)
class Facing:
    """A scenario's cooker, ready to be traced under many sun positions.

    Attributes
    ----------
    setup : Setup
        Scenario, cooker as built, sunshape, seed and build.
    repeats : int
        Independent repeats, each with its own random draws in turning and its own samples. [1]
    """

    setup: Setup
    repeats: int

    @property
    def scenario(self) -> Scenario:
        """What the cooker was built from."""
        return self.setup.scenario

    def turned_to(
        self,
        alpha: ArrayLike,
        *,
        heading: ArrayLike | None = None,
        scale: ArrayLike = 1.0,
        keys: Any = 0,
    ) -> Array:
        """Power on the base with the platform turned to face the sun at these altitudes.

        Parameters
        ----------
        alpha : array_like, shape (N,)
            Sun's altitudes over the ground. [rad]
        heading : array_like, shape (N,) or scalar, optional
            Where the sun stands along the ground; by default where the design sun does. It tells
            only under a pot that is put level on ground that slopes. [rad]
        scale, keys
            As in `left_at`.

        Returns
        -------
        watts : ndarray, shape (repeats, N)
            For 1 W/m². [m²]
        """
        alpha = np.atleast_1d(np.asarray(alpha, dtype=float))
        ground = ground_of(self.scenario.site)
        if heading is None:
            heading = faced_from(self.scenario, design_sun(self.scenario)[0])[1]
        sun = ground.in_sky(alpha, np.broadcast_to(np.asarray(heading, dtype=float), alpha.shape))
        meant = stand(self.scenario, *sun)
        return self.left_at(sun_direction(*sun), meant, scale=scale, keys=keys)

    def left_at(self, s: Array, meant: Poses, *, scale: ArrayLike = 1.0, keys: Any = 0) -> Array:
        """Power on the base with the platform meant to stand in given ways.

        Parameters
        ----------
        s : ndarray, shape (N, 3)
            Direction to the sun, site frame.
        meant : Poses
            N of them.
        scale : array_like, shape (N,) or scalar
            The sun's size over that of the set-up's sunshape.
        keys : array_like of int, shape (N,) or scalar
            Suns of one key share random draws and samples.

        Returns
        -------
        watts : ndarray, shape (repeats, N)
            For 1 W/m². [m²]

        Raises
        ------
        GeometryError
            If the platform would tilt into a pot on the ground.
        """
        N, n, settings = len(s), self.repeats, self.setup.settings
        key = np.broadcast_to(np.asarray(keys, dtype=np.int64), (N,))
        which, again = np.tile(np.arange(N), n), np.repeat(np.arange(n), N)
        poses, put = turned(self.setup, meant[which], key[which], again)
        seen = placed(self.setup.cooker, s[which], poses, put)
        streams = key[which] * n + again
        scales = np.broadcast_to(np.asarray(scale, dtype=float), (N,))[which]
        options = settings.tracing | {"replicates": REPLICATES, "dni": 1.0}
        out = np.empty(n * N)
        for first in range(0, n * N, AT_ONCE):
            part = slice(first, first + AT_ONCE)
            cases = seen[part].trace(
                self.setup.cooker,
                self.setup.shape,
                sun_scale=scales[part],
                streams=streams[part],
                **options,
            )
            out[part] = cases.power[:, :, BASE].mean(axis=1)
        return out.reshape(n, N)


def facing(
    scenario: Scenario,
    *,
    repeats: int = 32,
    beams: int = 1,
    seed: int | None = None,
    build: int | None = None,
    threads: int | None = None,
) -> Facing:
    """Build a scenario's cooker and make it ready to be traced under many sun positions.

    Parameters
    ----------
    scenario : Scenario
    repeats : int
        See `Facing`.
    beams : int
        A facet, in each of a repeat's two replicates.
    seed, build : int, optional
        Default: the scenario's.
    threads : int, optional
        Changes no bit of any result.

    Returns
    -------
    Facing
    """
    settings = LightSettings.of(scenario, beams=beams, seed=seed, build=build, threads=threads)
    return Facing(set_up(scenario, settings), repeats)
