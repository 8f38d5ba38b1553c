"""What measured laser spots teach of the workshop's setting error, by Bayes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.tolerances import miss_jacobian
from raytrace.exceptions import SettingsError
from raytrace.studies.bench.spot_geometry import drawn_facets, spots_on_plane, target_plane
from raytrace.studies.bench.spots_data import Spots

__all__ = ["SettingLearned", "learn_setting"]

Array = NDArray[np.float64]

GRID, WIDEST = 400, 8.0  # setting errors tried, and how many times the best value either way
BUILDS = 64  # whose spots say what all but the setting error does
ASIDE = 1e-3  # chance that any of the facets is set aside though it was set like the others


@dataclass(frozen=True)
class SettingLearned:
    """The setting error as spots have it.

    Attributes
    ----------
    mean, sd : float
        Mean and standard deviation of the scenario's `errors.setting` afterwards, in `unit`.
    before, before_sd : float
        The same before.
    unit : str
        "m", a miss, or "rad", an angle.
    facets : int
        Whose spots count. [1]
    aside : tuple of str
        Facets whose spots lie too far off for the others' setting error: knocked or misread.
    """

    mean: float
    sd: float
    before: float
    before_sd: float
    unit: str
    facets: int
    aside: tuple[str, ...]


def learn_setting(measured: Spots) -> SettingLearned:
    """Narrow a scenario's setting error by the spots of a cooker from the same workshop.

    Parameters
    ----------
    measured : Spots
        From `raytrace.studies.bench.readings.read_measured`.

    Returns
    -------
    SettingLearned

    Raises
    ------
    SettingsError
        If the scenario knows its setting error, or fewer than five spots count.

    Notes
    -----
    A spot's miss is normal about its mark: what the setting error of size s does, s² times a
    covariance of the facet's own, what all other errors of the scenario's workshop do to spots,
    found from builds set without it, and the reading's own error. The prior is the scenario's law;
    the posterior is summed over a grid of s. A facet that was knocked tells nothing of how facets
    are set: those beyond what chance gives to one cooker in a thousand are set aside.
    """
    from scipy.stats import chi2

    scenario, cooker = measured.scenario, measured.cooker
    law = next((u.law for u in scenario.unknowns if u.key == "errors.setting"), None)
    if law is None:
        raise SettingsError("errors.setting is stated exactly, so that there is nothing to learn")
    pair = target_plane(cooker, measured.plane)[2]
    J = miss_jacobian(cooker, measured.plane)[:, pair, :]
    per = np.ones(len(J))
    if scenario.errors.setting_kind == "miss":
        per = 1.0 / np.linalg.norm(miss_jacobian(cooker, scenario.errors.miss_plane), axis=(1, 2))
    own = per[:, None, None] ** 2 * (J @ J.transpose(0, 2, 1))
    rest = _rest(measured) + (measured.sigma**2 + measured.rig.hit**2)[:, None, None] * np.eye(2)
    count = measured.read & measured.present
    size = law.best * np.geomspace(1.0 / WIDEST, WIDEST, GRID)
    while True:
        if count.sum() < 5:
            raise SettingsError(f"{count.sum()} spots are too few to learn a setting error from")
        C = size[:, None, None, None] ** 2 * own[count] + rest[count]
        miss = measured.miss[count]
        far = np.einsum("fi,sfij,fj->sf", miss, np.linalg.inv(C), miss)
        # each step of the grid stands for a width in proportion to its size
        log = law.density(size) + np.log(size)
        log = log - 0.5 * (far + np.linalg.slogdet(C)[1]).sum(axis=1)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean = float(weight @ size)
        off = far[int(np.argmax(weight))]
        if off.max() <= chi2.isf(ASIDE / count.sum(), 2):
            break
        # the worst first: it may be all that makes others look odd, or well set
        count[np.flatnonzero(count)[int(np.argmax(off))]] = False
    prior = law.at((np.arange(2000) + 0.5) / 2000)
    told = measured.read & measured.present & ~count
    return SettingLearned(
        mean=mean,
        sd=float(np.sqrt(weight @ (size - mean) ** 2)),
        before=float(prior.mean()),
        before_sd=float(prior.std()),
        unit=law.unit,
        facets=int(count.sum()),
        aside=tuple(measured.labels[f] for f in np.flatnonzero(told)),
    )


def _rest(measured: Spots) -> Array:
    """Covariance of each facet's spot by all errors but that of setting, (F, 2, 2). [m²]"""
    cooker, rig = measured.cooker, measured.rig
    exact = measured.scenario.with_values({"errors.setting": 0.0})
    off = np.array(
        [
            spots_on_plane(
                cooker,
                rig,
                measured.plane,
                facets=drawn_facets(exact, cooker, seed=measured.plan.seed, build=build),
            )
            - measured.mark
            for build in range(BUILDS)
        ]
    )
    return np.asarray(np.nan_to_num(np.einsum("bfi,bfj->fij", off, off) / BUILDS))
