"""What shifts, turns or stretches all laser spots alike: a pot out of place, a laser that was off.

A misfit has six numbers: the pot's displacement from where the facets aim, the laser too high and
turned aside while they were set, and how near it was swivelled. What each does to every spot
follows from the cooker's geometry; which of them the spots show is a robust regression, so that
facets that were knocked or misread don't count for more than they should.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.aiming import aim_normals, axes
from raytrace.cooker.geometry import Cooker, Facets
from raytrace.cooker.tolerances import (
    Rig,
    laser_direction,
    laser_stand,
    miss_jacobian,
    setting_sigma,
    tolerances_from_scenario,
)
from raytrace.exceptions import GeometryError
from raytrace.studies.bench.spot_geometry import spots_on_plane, target_plane
from raytrace.studies.bench.spots_data import Cause, Common, Misfit, Spots

__all__ = ["CAUSES", "common_cause", "fitted_misfit", "set_with", "spots_with"]

Array = NDArray[np.float64]

# what each cause may change, by its place in a misfit's numbers
CAUSES = {"pot": (0, 1), "height": (2,), "altitude": (3,), "azimuth": (4,), "swivel": (5,)}
STEP = np.array([1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1e-2])  # what the fit takes for a small size
BOUND = np.array([1.5, 1.5, 0.6, 0.6, 0.6, 1.2])  # beyond any slip of a workshop
LEAST_SETTING = 1e-3  # scatter between facets that weights are reckoned with at least [rad]
FEWEST = 8  # spots that can show anything in common
FLIPS = 1999  # of signs, behind each false-alarm rate
FALSE_ALARM = 0.01  # share of cookers without a common cause that are told one
EVEN = 6.0  # difference of BIC or of deviance up to which causes can't be told apart
FAR = 1e3  # residual of a spot that a misfit sends nowhere, in standard deviations
ROUNDS = 3  # of finding the residuals' scale
FLAT = 1.5  # standard deviations from which a residual counts less than by its square


def set_with(cooker: Cooker, misfit: Misfit, *, by_laser: bool = True) -> Facets:
    """Facets as a workshop without any other error leaves them.

    Parameters
    ----------
    cooker : Cooker
        As designed.
    misfit : Misfit
    by_laser : bool
        Whether the glass's shift is made up for.

    Returns
    -------
    Facets

    Raises
    ------
    GeometryError
        If no mirror serves.
    """
    f = cooker.facets
    rig = Rig(altitude_bias=misfit.altitude, azimuth_bias=misfit.azimuth)
    stand = None
    if misfit.swivel > 0.0:
        stand = laser_stand(cooker, replace(rig, kind="point", distance=1.0 / misfit.swivel))
    n = aim_normals(
        f.mount,
        f.mount_radius,
        np.asarray(laser_direction(cooker, rig)),
        cooker.aim - [misfit.pot_x, misfit.pot_y, misfit.pot_z],
        mirror=cooker.mirror if by_laser else None,
        stand=stand,
    )
    u, v = axes(n)
    return replace(f, n=n, u=u, v=v)


def spots_with(measured: Spots, misfit: Misfit) -> Array:
    """Where spots lie if nothing else is off, shape (F, 2); nan where there is none. [m]

    Parameters
    ----------
    measured : Spots
        Its rig and plane are those of the reading.
    misfit : Misfit
        A negative swivel is one while the spots were read.

    Returns
    -------
    ndarray
    """
    cooker, rig = measured.cooker, measured.rig
    by_laser = measured.scenario.errors.set_by == "laser"
    if misfit.swivel < 0.0:
        near = -misfit.swivel + (1.0 / rig.distance if rig.kind == "point" else 0.0)
        rig = replace(rig, kind="point", distance=1.0 / near)
    facets = set_with(cooker, misfit, by_laser=by_laser)
    return spots_on_plane(cooker, rig, measured.plane, facets=facets)


@dataclass(frozen=True, eq=False)
class _Fit:
    """Robust fit of some of a misfit's numbers, residuals in units of their weights."""

    which: tuple[int, ...]
    size: Array
    sd: Array
    residual: Array
    cost: float

    @property
    def misfit(self) -> Misfit:
        return _misfit(self.which, self.size)


def _scale(residual: Array) -> float:
    return max(1.4826 * float(np.median(np.abs(residual))), 1e-3)


def _misfit(which: Sequence[int], size: Array) -> Misfit:
    full = np.zeros(6)
    full[list(which)] = size
    return Misfit(*map(float, full))


class _Problem:
    """Spots that count, how far each may scatter, and fits to them."""

    def __init__(self, measured: Spots) -> None:
        cooker, scenario = measured.cooker, measured.scenario
        self.measured = measured
        self.counts = measured.read & measured.present & np.isfinite(measured.mark).all(axis=1)
        pair = target_plane(cooker, measured.plane)[2]
        J = miss_jacobian(cooker, measured.plane)[:, pair, :]
        sigma = np.maximum(setting_sigma(cooker, tolerances_from_scenario(scenario)), LEAST_SETTING)
        C = sigma[:, None, None] ** 2 * (J @ J.transpose(0, 2, 1))
        C = C + (measured.sigma**2 + measured.rig.hit**2)[:, None, None] * np.eye(2)
        self.weight = np.linalg.inv(np.linalg.cholesky(C[self.counts]))

    @property
    def many(self) -> bool:
        """Whether there are enough spots to show anything in common."""
        return int(self.counts.sum()) >= FEWEST

    @cached_property
    def scale(self) -> float:
        """Standard deviation of what no misfit explains, from the middle of the residuals."""
        r = self.residual(Misfit())
        for _ in range(ROUNDS if self.many else 0):
            r = self.fit(tuple(range(6)), _scale(r)).residual
        return _scale(r)

    def residual(self, misfit: Misfit) -> Array:
        """Weighted residuals of spots that a misfit does not explain, shape (2 F,)."""
        try:
            off = (self.measured.spot - spots_with(self.measured, misfit))[self.counts]
        except GeometryError:
            return np.full(2 * int(self.counts.sum()), FAR)
        weighted = np.einsum("fij,fj->fi", self.weight, off)
        return np.asarray(np.nan_to_num(weighted, nan=FAR)).ravel()

    def fit(self, which: tuple[int, ...], scale: float | None = None) -> _Fit:
        """Fit these numbers, the others zero."""
        from scipy.optimize import least_squares

        scale = self.scale if scale is None else scale

        def residual(x: Array) -> Array:
            return self.residual(_misfit(which, x))

        found = least_squares(
            residual,
            np.zeros(len(which)),
            bounds=(-BOUND[list(which)], BOUND[list(which)]),
            x_scale=STEP[list(which)],
            loss="soft_l1",
            f_scale=FLAT * scale,
            xtol=1e-6,
            ftol=1e-8,
            max_nfev=40,
        )
        J = np.array(found.jac, dtype=float)
        cov = np.linalg.pinv(J.T @ J) * scale**2
        return _Fit(which, found.x, np.sqrt(np.diag(cov)), found.fun, 2.0 * found.cost)

    def slopes(self, at: Misfit, which: Sequence[int]) -> Array:
        """Weighted residuals' slopes by these numbers, shape (2 F, P)."""
        x = np.array(at.numbers)
        out = []
        for k in which:
            step = np.zeros(6)
            step[k] = 0.1 * STEP[k]
            out.append(self.residual(Misfit(*(x + step))) - self.residual(Misfit(*(x - step))))
        return np.stack(out, axis=1)

    def deviance(self, fit: _Fit) -> float:
        """Minus twice the robust log-likelihood."""
        return fit.cost / self.scale**2

    def bic(self, fit: _Fit) -> float:
        """Bayesian information criterion, of the robust likelihood."""
        return self.deviance(fit) + len(fit.which) * float(np.log(len(fit.residual)))

    def chance(self, fit: _Fit | None, seed: int) -> float:
        """Chance that facets with nothing more in common look as much alike as these do.

        Signs of whole facets' residuals are flipped at random: exact for whatever law the
        residuals follow, as long as it is symmetric and each facet's its own. Residuals are
        clipped first, so that no single facet decides.
        """
        from scipy.stats import f as f_law

        at, taken = (Misfit(), ()) if fit is None else (fit.misfit, fit.which)
        r = (self.residual(at) if fit is None else fit.residual).reshape(-1, 2)
        length = np.linalg.norm(r, axis=1)
        most = 2.0 * float(np.median(length))
        r = r * np.minimum(1.0, most / np.maximum(length, 1e-300))[:, None]
        known = np.linalg.qr(self.slopes(at, taken))[0] if taken else np.zeros((r.size, 0))
        spans = []
        for more in CAUSES.values():
            if set(more) <= set(taken):
                continue
            A = self.slopes(at, more)
            A = A - known @ (known.T @ A)
            spans.append(np.linalg.qr(A)[0])
        rng = np.random.default_rng([seed, len(taken)])
        signs = rng.choice([-1.0, 1.0], size=(FLIPS + 1, len(r)))
        signs[0] = 1.0
        flipped = (signs[:, :, None] * r).reshape(FLIPS + 1, -1)
        total = float((r**2).sum())
        least = np.ones(FLIPS + 1)
        for Q in spans:
            q, rest = Q.shape[1], r.size - Q.shape[1] - len(taken)
            told = ((flipped @ Q) ** 2).sum(axis=1)
            ratio = (told / q) / np.maximum((total - told) / rest, 1e-300)
            least = np.minimum(least, f_law.sf(ratio, q, rest))
        return float((least <= least[0] * (1.0 + 1e-9)).mean())


def common_cause(measured: Spots) -> Common | None:
    """Find what shifts, turns or stretches all spots alike, if anything does.

    Parameters
    ----------
    measured : Spots
        From `raytrace.studies.bench.readings.read_measured`.

    Returns
    -------
    Common or None
        None where too few spots were read to say.

    Notes
    -----
    One cause is tried, and two at once if one leaves more in common than chance does; each step
    gives a false alarm in one cooker of a hundred. Among as many causes, those whose Bayesian
    information criterion or fit is within 6 of the best are all reported: the spots hardly tell
    them apart.

    References
    ----------
    .. [1] P. J. Huber and E. M. Ronchetti, *Robust Statistics*, 2nd ed., Wiley 2009, ch. 7. From
       memory.
    .. [2] R. E. Kass and A. E. Raftery, "Bayes factors", J. Am. Stat. Assoc. 90 (1995) 773–795:
       a difference of BIC of 6 is strong evidence. From memory.
    .. [3] E. J. G. Pitman, "Significance tests which may be applied to samples from any
       populations", J. R. Stat. Soc. Suppl. 4 (1937) 119–130. From memory.
    """
    problem = _Problem(measured)
    if not problem.many:
        return None
    seed = measured.plan.seed
    chances = [problem.chance(None, seed)]
    if chances[0] > FALSE_ALARM:
        return Common(chances[0], ())
    best = _alike(problem, 1)
    chances.append(problem.chance(best[0][1], seed))
    if chances[1] <= FALSE_ALARM:
        best = _alike(problem, 2)
    causes = tuple(Cause(names, fit.misfit, _misfit(fit.which, fit.sd)) for names, fit in best)
    return Common(chances[0], causes)


def _alike(problem: _Problem, count: int) -> list[tuple[tuple[str, ...], _Fit]]:
    """So many causes at once: the best, and all that the spots hardly tell from it."""
    fits = {
        names: problem.fit(tuple(k for name in names for k in CAUSES[name]))
        for names in combinations(CAUSES, count)
    }
    rate = (problem.bic, problem.deviance)  # by either: a second number of its own rules none out
    least = {by: min(by(fit) for fit in fits.values()) for by in rate}
    near = [
        (names, fit)
        for names, fit in fits.items()
        if any(by(fit) - least[by] < EVEN for by in rate)
    ]
    return sorted(near, key=lambda pair: problem.bic(pair[1]))


def fitted_misfit(measured: Spots, kinds: Sequence[Sequence[str]]) -> list[Misfit]:
    """Misfits that explain the spots best, each by some causes alone.

    Parameters
    ----------
    measured : Spots
    kinds : sequence of sequence of str
        Keys of `CAUSES`.

    Returns
    -------
    list of Misfit
    """
    problem = _Problem(measured)
    return [problem.fit(tuple(k for name in names for k in CAUSES[name])).misfit for names in kinds]
