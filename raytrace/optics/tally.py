"""What a trace counted: the energy ledger, the flux map of the base and all that follows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.optics.flux_grid import bin_edges, circle_area, rim_area
from raytrace.statistics.estimate import Estimate

__all__ = ["LINES", "Tally"]

Array = NDArray[np.float64]

LINES = (
    "cosine",  # lost to slant (cosine loss): the facets don't face the sun squarely
    "shaded",  # kept from the mirrors by other facets, the pot or its posts
    "mirror",  # absorbed by the mirrors, or scattered by their dirt
    "rim",  # lost through the rim of the mirrors' glass, or on its bevel
    "blocked",  # reflected, then stopped by another facet, a post or the grate
    "missed",  # missed the pot: passes base, side and lid
    "side",
    "lid",
    "base",  # the delivered watts
)
MIRROR, MISSED, SIDE, LID, BASE = (
    LINES.index(k) for k in ("mirror", "missed", "side", "lid", "base")
)
SHARE_IN_SPOT = 0.9
# standard deviation of what taking a bin's power at its centre does, measured on maps of 1 024 bins
RADIUS_OFF = 0.05  # of the spot's radius, in bins
CENTROID_OFF = 0.003  # of the centroid, in bins times the bin over the base's radius
CIRCLES = 81  # about the middle of the base, and about that of the power
PARTS = 4  # that the replicates are put into to choose and to measure the peak
CHOICE = 1.25  # what choosing among bins that are nearly as bright adds to a standard error


@dataclass(frozen=True, eq=False)
class Tally:
    """Result of one trace at one position of the sun.

    Attributes
    ----------
    power : ndarray, shape (n, F, L)
        Where each facet's sunlight goes, by `LINES`; n replicates. [W]
    base_power : ndarray, shape (n, Y, X)
        Power on each bin of the base; first y, then x, in the pot's frame: x to the platform's
        right, y toward the sun's side. [W]
    incoming : float
        DNI on the full mirror area. [W]
    dni : float
        Direct normal irradiance. [W/m²]
    sun : ndarray, shape (3,)
        Direction to the sun, platform frame.
    base_radius : float
        Radius of the pot's base. [m]
    area : ndarray, shape (F,)
        Mirror area by facet. [m²]
    labels : tuple of str
        Names of the facets.
    absorptance : tuple of float
        Of base, side and lid. [1]
    estimator : str
        "beams" or "rays": what was traced.
    samples_per_facet : int
        Beams or rays a facet in each replicate. [1]
    seed : int
    stream : int
        Tells apart independent traces with one seed.
    """

    power: Array
    base_power: Array
    incoming: float
    dni: float
    sun: Array
    base_radius: float
    area: Array
    labels: tuple[str, ...]
    absorptance: tuple[float, float, float]
    estimator: str
    samples_per_facet: int
    seed: int
    stream: int

    DIMS: ClassVar = {
        "n": "replicate",
        "F": "facet",
        "L": "line",
        "Y": "y",
        "X": "x",
        "K": "circle",
    }
    COORDS: ClassVar = {"facet": "labels", "line": "lines", "y": "middles", "x": "middles"}
    ALSO: ClassVar = (
        "n_replicates",
        "n_samples",
        "delivered",
        "absorbed",
        "absorbed_base",
        "intercept",
        "spot_radius",
        "centroid",
        "radii",
        "encircled",
        "encircled_centroid",
        "mean_flux",
        "peak_flux",
        "concentration",
        "uniformity",
        "bin_width",
        "lines",
        "ledger",
        "share",
        "facet_delivered",
        "facet_ledger",
        "flux",
        "bin_area",
    )
    APART: ClassVar = ("power", "base_power", "facet_ledger", "flux", "bin_area", "middles")

    @property
    def n_replicates(self) -> int:
        """Independent replicates behind every standard error."""
        return int(self.power.shape[0])

    @property
    def n_samples(self) -> int:
        """Beams or rays in all: replicates × facets present × samples a facet."""
        return self.n_replicates * int((self.area > 0.0).sum()) * self.samples_per_facet

    @cached_property
    def _total(self) -> Array:
        return np.asarray(self.power.sum(axis=1))

    def line(self, name: str) -> Estimate:
        """One line of the ledger, summed over facets.

        Parameters
        ----------
        name : str
            One of `LINES`.

        Returns
        -------
        Estimate
            [W]
        """
        return Estimate.from_replicates(self._total[:, LINES.index(name)])

    @property
    def lines(self) -> tuple[str, ...]:
        """Lines of the ledger, in order."""
        return LINES

    @property
    def ledger(self) -> Estimate:
        """Where the sunlight on the mirrors goes, shape (L,); sums to `incoming`. [W]"""
        lines = [self.line(name) for name in LINES]
        value, se = (np.array([getattr(x, k) for x in lines]) for k in ("value", "se"))
        return Estimate(value, se, self.n_replicates)

    @property
    def share(self) -> Array:
        """Each line's share of the incoming sunlight, shape (L,); nan without sun. [1]"""
        return np.asarray(self.ledger.value / (self.incoming or np.nan))

    @property
    def delivered(self) -> Estimate:
        """Power that arrives on the base. [W]"""
        return self.line("base")

    @property
    def absorbed(self) -> Estimate:
        """Power that base, side and lid take up of the mirrors' light. [W]"""
        return Estimate.from_replicates(
            self._total[:, [BASE, SIDE, LID]] @ np.array(self.absorptance)
        )

    @property
    def absorbed_base(self) -> Estimate:
        """Power that the base takes up. [W]"""
        return Estimate.from_replicates(self._total[:, BASE] * self.absorptance[0])

    @property
    def intercept(self) -> Estimate:
        """Share of the light leaving the mirrors unblocked that arrives on the base. [1]"""
        leaving = self._total[:, [MISSED, SIDE, LID, BASE]]
        return Estimate.from_jackknife(lambda m: _ratio(m[3], m.sum()), leaving)

    @property
    def facet_ledger(self) -> Estimate:
        """Where each facet's sunlight goes, shape (F, L). [W]"""
        return Estimate.from_replicates(self.power)

    @property
    def facet_delivered(self) -> Estimate:
        """Power that each facet sends to the base, shape (F,). [W]"""
        return Estimate.from_replicates(self.power[:, :, BASE])

    @cached_property
    def bin_edges(self) -> Array:
        """Edges of the map's bins, one more than these along a side. [m]"""
        return bin_edges(self.base_radius, self.base_power.shape[1])

    @property
    def middles(self) -> Array:
        """Middles of the map's bins, to the platform's right and toward the sun's side. [m]"""
        return 0.5 * (self.bin_edges[1:] + self.bin_edges[:-1])

    @property
    def bin_width(self) -> float:
        """Width of a bin of the map. [m]"""
        return float(self.bin_edges[1] - self.bin_edges[0])

    @cached_property
    def bin_area(self) -> Array:
        """Area of each bin within the rim, shape (Y, X). [m²]"""
        return rim_area(self.base_radius, self.base_power.shape[1])

    def _flux(self) -> Array:
        # not kept: a day has many maps
        return np.where(self.bin_area > 0.0, self.base_power / self._safe_area, np.nan)

    @property
    def flux(self) -> Estimate:
        """Flux map of the base, shape (Y, X), nan outside the rim. [W/m²]"""
        return Estimate.from_replicates(self._flux())

    @property
    def mean_flux(self) -> Estimate:
        """Delivered power over the base's area. [W/m²]"""
        return Estimate.from_replicates(self._total[:, BASE] / (np.pi * self.base_radius**2))

    @cached_property
    def whole(self) -> NDArray[np.bool_]:
        """Bins at least half inside the rim: smaller slivers are mostly noise."""
        full = (2.0 * self.base_radius / self.base_power.shape[1]) ** 2
        return np.asarray(self.bin_area >= 0.5 * full)

    @cached_property
    def peak_flux(self) -> Estimate:
        """Greatest flux over bins at least half inside the rim. [W/m²]

        The greatest of many noisy bins lies too high on average. Too low lies, on average, the
        flux that a part of the replicates gives to the bin that the others would choose, by
        their map or by their map smoothed. The truth is nearer to the latter: noise lifts the
        greatest of all bins by more than it misleads the choice of one. The estimate is a quarter
        of the gap above, and its standard error holds a little more than as much, besides the
        spread of replicates. Derived here, no source: the shares were set so that intervals of
        95 % hold peaks that are known, which tests/optics/test_flux_map.py tries.
        """
        n = self.n_replicates
        every = self.base_power.sum(axis=0)
        highest = float((every / self._safe_area)[self.whole].max()) / n
        flux, chosen = self._flux(), np.empty((2, n))
        for part in np.array_split(np.arange(n), min(n, PARTS)):
            others = every - self.base_power[part].sum(axis=0)
            for how, found in enumerate((others / self._safe_area, self._smoothed(others))):
                best = int(np.where(self.whole, found, -np.inf).argmax())
                chosen[how, part] = flux[part].reshape(len(part), -1)[:, best]
        # smoothed is the surer choice, but for a peak as narrow as a bin
        sharper = Estimate.from_replicates(chosen[0] - chosen[1])
        low = Estimate.from_replicates(chosen[int(not sharper.value > 2.0 * sharper.se)])
        gap = highest - float(low.value)
        if not gap > 1e-12 * highest:  # all replicates agree where the peak is
            return low
        se = np.hypot(CHOICE * low.se, 0.3 * gap)
        return Estimate(np.asarray(low.value + 0.25 * gap), np.asarray(se), n)

    @cached_property
    def _safe_area(self) -> Array:
        return np.where(self.bin_area > 0.0, self.bin_area, 1.0)

    def _smoothed(self, power: Array) -> Array:
        """Flux over each bin and those next to it. [W/m²]"""
        from scipy.ndimage import uniform_filter

        around = uniform_filter(self.bin_area, 3, mode="constant")
        flux = uniform_filter(power, 3, mode="constant")
        return np.asarray(flux / np.maximum(around, 1e-3 * self.bin_area.max()))

    @property
    def concentration(self) -> Estimate:
        """Peak flux over DNI, in suns; nan without sun. [1]"""
        peak = self.peak_flux
        with np.errstate(divide="ignore", invalid="ignore"):
            return Estimate(peak.value / self.dni, peak.se / self.dni, peak.n_replicates)

    @property
    def uniformity(self) -> Estimate:
        """Mean flux over peak flux: 1 for an even base; nan where nothing arrives. [1]"""
        mean, peak = self.mean_flux, self.peak_flux
        share = _ratio(mean.value, peak.value)
        # the two are taken as independent: they rise together, so that this errs on the safe side
        relative = np.hypot(_ratio(mean.se, mean.value), _ratio(peak.se, peak.value))
        return Estimate(share, np.asarray(share * relative), peak.n_replicates)

    @cached_property
    def _centres(self) -> tuple[Array, Array]:
        x, y = np.meshgrid(self.middles, self.middles)
        return x.ravel(), y.ravel()

    @property
    def centroid(self) -> Estimate:
        """Middle of the power on the base, pot's frame x and y, shape (2,). [m]

        From the bins' centres; the standard error holds what that is off, too.
        """
        flat = self.base_power.reshape(self.n_replicates, -1)
        x, y = self._centres
        found = Estimate.from_jackknife(
            lambda p: np.array([_ratio(p @ x, p.sum()), _ratio(p @ y, p.sum())]), flat
        )
        bin_width = 2.0 * self.base_radius / self.base_power.shape[1]
        return found.wider(CENTROID_OFF * bin_width**2 / self.base_radius)

    @property
    def radii(self) -> Array:
        """Radii of circles on the base, from 0 to its diameter, shape (K,). [m]"""
        return np.linspace(0.0, 2.0 * self.base_radius, CIRCLES)

    @property
    def encircled(self) -> Estimate:
        """Share of the power on the base within circles about its centre, shape (K,). [1]

        Even over each bin, of which the circle's cover is exact.
        """
        return self._within((0.0, 0.0))

    @property
    def encircled_centroid(self) -> Estimate:
        """Share of the power on the base within circles about its centroid, shape (K,). [1]

        Even over each bin, of which the circle's cover is exact but where the rim cuts the same
        bin. The standard error takes the centroid as known.
        """
        x, y = self.centroid.value
        return self._within((float(x), float(y)))

    def _within(self, centre: tuple[float, float]) -> Estimate:
        if not np.isfinite(centre).all():
            return Estimate.from_replicates(np.full((self.n_replicates, CIRCLES), np.nan))
        area = circle_area(self.bin_edges, centre, self.radii)
        cover = np.minimum(area / self._safe_area, 1.0).reshape(CIRCLES, -1)
        flat = self.base_power.reshape(self.n_replicates, -1)
        return Estimate.from_jackknife(
            lambda held, whole: held / whole if whole > 0.0 else np.full(CIRCLES, np.nan),
            flat @ cover.T,
            flat.sum(axis=1),
        )

    @property
    def spot_radius(self) -> Estimate:
        """Radius about the centroid that holds 90 % of the power on the base. [m]

        From the bins' centres; the standard error holds what that is off, too.
        """
        flat = self.base_power.reshape(self.n_replicates, -1)
        x, y = self._centres

        def radius(p: Array) -> Array:
            total = p.sum()
            if not total > 0.0:
                return np.array(np.nan)
            r = np.hypot(x - p @ x / total, y - p @ y / total)
            order = np.argsort(r, kind="stable")
            held = np.cumsum(p[order])
            return np.asarray(np.interp(SHARE_IN_SPOT * total, held, r[order]))

        found = Estimate.from_jackknife(radius, flat)
        return found.wider(RADIUS_OFF * 2.0 * self.base_radius / self.base_power.shape[1])


def _ratio(a: Array, b: Array) -> Array:
    return np.asarray(a / b if b > 0.0 else np.nan)
