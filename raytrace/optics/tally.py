"""What a trace counted: the energy ledger, the flux map of the base and all that follows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.optics.flux_grid import bin_edges, rim_area
from raytrace.statistics.estimate import Estimate

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LINES", "LINE_MEANINGS", "Tally"]

Array = NDArray[np.float64]

LINES = ("cosine", "shaded", "mirror", "blocked", "missed", "side", "lid", "base")
LINE_MEANINGS = {
    "cosine": "lost to slant (cosine loss): the facets don't face the sun squarely",
    "shaded": "kept from the mirrors by other facets, the pot or its posts",
    "mirror": "absorbed by the mirrors, or scattered by their dirt",
    "blocked": "reflected, then stopped by another facet, a post or the grate",
    "missed": "missed the pot: passes base, side and lid",
    "side": "arrives on the pot's side",
    "lid": "arrives on the pot's lid",
    "base": "arrives on the pot's base: the delivered watts",
}
MIRROR, MISSED, SIDE, LID, BASE = (
    LINES.index(k) for k in ("mirror", "missed", "side", "lid", "base")
)
SHARE_IN_SPOT = 0.9
# standard deviation of what taking a bin's power at its centre does, measured on maps of 1 024 bins
RADIUS_OFF = 0.05  # of the spot's radius, in bins
CENTROID_OFF = 0.003  # of the centroid, in bins times the bin over the base's radius
PARTS = 4  # that the replicates are put into to choose and to measure the peak
CHOICE = 1.25  # what choosing among bins that are nearly as bright adds to a standard error


@dataclass(frozen=True, eq=False)
class Tally:
    """Result of one trace at one position of the sun.

    Attributes
    ----------
    power : ndarray, shape (n_replicates, F, 8)
        Where each facet's sunlight goes, by `LINES`. [W]
    base_power : ndarray, shape (n_replicates, bins, bins)
        Power on each bin of the base; first y, then x, in the pot's frame: x to the platform's
        right, y toward the sun's side. [W]
    incoming : float
        DNI on the full mirror area. [W]
    dni : float
        Direct normal irradiance. [W/m²]
    sun : ndarray, shape (3,)
        Direction to the sun, platform frame.
    R : float
        Radius of the base. [m]
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
    R: float
    area: Array
    labels: tuple[str, ...]
    absorptance: tuple[float, float, float]
    estimator: str
    samples_per_facet: int
    seed: int
    stream: int

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

    def ledger(self) -> dict[str, Estimate]:
        """All lines of the ledger in order; they sum to `incoming`. [W]"""
        return {name: self.line(name) for name in LINES}

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
        """Share of the light leaving the mirrors unblocked that arrives on the base."""
        leaving = self._total[:, [MISSED, SIDE, LID, BASE]]
        return Estimate.from_jackknife(lambda m: _ratio(m[3], m.sum()), leaving)

    @property
    def facet_delivered(self) -> Estimate:
        """Power that each facet sends to the base, shape (F,). [W]"""
        return Estimate.from_replicates(self.power[:, :, BASE])

    @cached_property
    def bin_edges(self) -> Array:
        """Edges of the map's bins, shape (bins + 1,). [m]"""
        return bin_edges(self.R, self.base_power.shape[1])

    @cached_property
    def bin_area(self) -> Array:
        """Area of each bin within the rim, shape (bins, bins). [m²]"""
        return rim_area(self.R, self.base_power.shape[1])

    @cached_property
    def _flux(self) -> Array:
        return np.where(self.bin_area > 0.0, self.base_power / self._safe_area, np.nan)

    def flux(self) -> Estimate:
        """Flux map of the base, shape (bins, bins), nan outside the rim. [W/m²]"""
        return Estimate.from_replicates(self._flux)

    @property
    def mean_flux(self) -> Estimate:
        """Delivered power over the base's area. [W/m²]"""
        return Estimate.from_replicates(self._total[:, BASE] / (np.pi * self.R**2))

    @cached_property
    def whole(self) -> NDArray[np.bool_]:
        """Bins at least half inside the rim: smaller slivers are mostly noise."""
        full = (2.0 * self.R / self.base_power.shape[1]) ** 2
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
        chosen = np.empty((2, n))
        for part in np.array_split(np.arange(n), min(n, PARTS)):
            others = every - self.base_power[part].sum(axis=0)
            for how, found in enumerate((others / self._safe_area, self._smoothed(others))):
                best = int(np.where(self.whole, found, -np.inf).argmax())
                chosen[how, part] = self._flux[part].reshape(len(part), -1)[:, best]
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
        """Peak flux over DNI, in suns; nan without sun."""
        peak = self.peak_flux
        with np.errstate(divide="ignore", invalid="ignore"):
            return Estimate(peak.value / self.dni, peak.se / self.dni, peak.n_replicates)

    @property
    def uniformity(self) -> Estimate:
        """Mean flux over peak flux: 1 for an even base; nan where nothing arrives."""
        mean, peak = self.mean_flux, self.peak_flux
        share = _ratio(mean.value, peak.value)
        # the two are taken as independent: they rise together, so that this errs on the safe side
        relative = np.hypot(_ratio(mean.se, mean.value), _ratio(peak.se, peak.value))
        return Estimate(share, np.asarray(share * relative), peak.n_replicates)

    @cached_property
    def _centres(self) -> tuple[Array, Array]:
        middle = 0.5 * (self.bin_edges[1:] + self.bin_edges[:-1])
        x, y = np.meshgrid(middle, middle)
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
        bin_width = 2.0 * self.R / self.base_power.shape[1]
        return found.wider(CENTROID_OFF * bin_width**2 / self.R)

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
        return found.wider(RADIUS_OFF * 2.0 * self.R / self.base_power.shape[1])

    def to_pandas(self) -> pd.DataFrame:
        """Per-facet ledger: a row a facet, a column a line in W and its standard error."""
        import pandas as pd

        by_facet = Estimate.from_replicates(self.power)
        columns: dict[str, Any] = {"area_m2": self.area}
        for k, name in enumerate(LINES):
            columns[f"{name}_W"] = by_facet.value[:, k]
            columns[f"{name}_se_W"] = by_facet.se[:, k]
        return pd.DataFrame(columns, index=pd.Index(self.labels, name="facet"))

    def to_xarray(self) -> Any:
        """Ledger, per-facet watts and flux map as an xarray.Dataset with units as attributes."""
        import xarray as xr

        middle = 0.5 * (self.bin_edges[1:] + self.bin_edges[:-1])
        flux = self.flux()
        by_facet = Estimate.from_replicates(self.power)
        total = Estimate.from_replicates(self._total)
        data = xr.Dataset(
            {
                "ledger": ("line", total.value, {"units": "W"}),
                "ledger_se": ("line", total.se, {"units": "W"}),
                "facet_ledger": (("facet", "line"), by_facet.value, {"units": "W"}),
                "facet_ledger_se": (("facet", "line"), by_facet.se, {"units": "W"}),
                "flux": (("y", "x"), flux.value, {"units": "W/m2", "long_name": "flux on base"}),
                "flux_se": (("y", "x"), flux.se, {"units": "W/m2"}),
                "bin_area": (
                    ("y", "x"),
                    self.bin_area,
                    {"units": "m2", "long_name": "area of the bin within the rim"},
                ),
            },
            coords={
                "line": list(LINES),
                "facet": list(self.labels),
                "x": ("x", middle, {"units": "m", "long_name": "platform's right"}),
                "y": ("y", middle, {"units": "m", "long_name": "toward the sun's side"}),
            },
            attrs={
                "dni_W_m2": self.dni,
                "incoming_W": self.incoming,
                "estimator": self.estimator,
                "seed": self.seed,
                "n_replicates": self.n_replicates,
                "n_samples": self.n_samples,
            },
        )
        return data


def _ratio(a: Array, b: Array) -> Array:
    return np.asarray(a / b if b > 0.0 else np.nan)
