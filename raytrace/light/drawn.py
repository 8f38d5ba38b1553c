"""Cookers as they may turn out: what isn't known, how builds differ and how each use differs.

One draw is one cooker that a builder may own, on one occasion: its inputs drawn from what is
known of them, its facets set with errors of their own, turned and its pot put down once more. Any
study of a scenario, repeated over such draws, says what may be expected of its answer: the
propagation of distributions of JCGM 101.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.mirror import mirror_from_scenario
from raytrace.cooker.tolerances import POINTING, POT, Builds, as_built, tolerances_from_scenario
from raytrace.light.ensemble import Ensemble, same_build
from raytrace.light.history import pot_light
from raytrace.light.placed import FacedSun, faced_design_sun
from raytrace.light.setup import LightSettings, Setup, set_up
from raytrace.optics.tally import BASE
from raytrace.scenario.law import Law
from raytrace.statistics.likely import REPEATS, Likely, likely_of

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.scenario.unknowns import Unknown
    from raytrace.sky.clock import Times

__all__ = [
    "KINDS",
    "Drawn",
    "Draws",
    "cooker_of",
    "draw_cookers",
    "draw_inputs",
    "light_unknowns",
    "likely",
    "likely_energy",
    "likely_power",
    "powers",
    "reshapes",
]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

KINDS = ("inputs", "builds", "uses")
BEAMS = 8  # a facet, in each draw
# Keys that the mirrors' light does not hang on.
DARK = (
    *("site.albedo", "kitchen.", "air.", "habit.", "cost."),
    *("pot.absorptance", "pot.emissivity", "pot.surface"),
)
# Keys that hardly need a cooker to be made again: they are no part of its shape.
APART = ("site.", "sky.", "errors.", "mirror.", *DARK)
SHAPED = ("mirror.thickness", "mirror.index", "mirror.bevel")  # these are


@dataclass(frozen=True, eq=False)
class Drawn:
    """One cooker on one occasion.

    Attributes
    ----------
    scenario : Scenario
        Its unknown inputs set to what was drawn.
    build, use : int
        Which draw of the workshop's errors, and of those of turning it and putting the pot down.
    """

    scenario: Scenario
    build: int
    use: int

    def setup(self, base: Cooker, keys: tuple[str, ...], settings: LightSettings) -> Setup:
        """Make it ready to be traced under many sun positions.

        Parameters
        ----------
        base : Cooker
            Exactly set, of the scenario at its best values.
        keys : tuple of str
            Of the inputs drawn.
        settings : LightSettings
            Its build and draw are set to this cooker's.

        Returns
        -------
        Setup
        """
        settings = replace(settings, build=self.build, draw=self.use)
        exact = cooker_of(base, self.scenario, keys)
        tolerances = tolerances_from_scenario(self.scenario)
        cooker = as_built(exact, tolerances, seed=settings.seed, build=self.build)
        return set_up(self.scenario, settings, cooker=cooker)


@dataclass(frozen=True, eq=False)
class Draws:
    """K cookers, each on one occasion.

    Attributes
    ----------
    scenario : Scenario
        Whose inputs are drawn.
    keys : tuple of str
        Of the U unknown inputs.
    values : ndarray, shape (K, U)
        In the SI unit of each key. [1]
    build, use : ndarray of int, shape (K,)
        As in `Drawn`.
    """

    scenario: Scenario
    keys: tuple[str, ...]
    values: Array
    build: Whole
    use: Whole

    def __len__(self) -> int:
        return len(self.build)

    def __getitem__(self, index: slice) -> Draws:
        return replace(
            self, values=self.values[index], build=self.build[index], use=self.use[index]
        )

    def __iter__(self) -> Iterator[Drawn]:
        for row, build, use in zip(self.values, self.build, self.use, strict=True):
            drawn = dict(zip(self.keys, row.tolist(), strict=True))
            scenario = self.scenario.with_values(drawn) if drawn else self.scenario
            yield Drawn(scenario, int(build), int(use))


def draw_cookers(
    scenario: Scenario,
    count: int,
    *,
    seed: int,
    first: int = 0,
    kinds: tuple[str, ...] = KINDS,
    keys: tuple[str, ...] | None = None,
) -> Draws:
    """Draw cookers that a builder may own, each on one occasion.

    Parameters
    ----------
    scenario : Scenario
    count : int
        How many; rounded up to `REPEATS` equal sets, each independent of the others.
    seed : int
        Key of all that is drawn.
    first : int
        Number of the first build and use; a draw's inputs hang on it too.
    kinds : tuple of str
        What is drawn, of `KINDS`; the rest is at its best value, or the scenario's own build.
    keys : tuple of str, optional
        Inputs that are drawn; by default all that are not known.

    Returns
    -------
    Draws
        Of numbers that were learned at once (`Scenario.joint`) a row of their table, with the
        build that it names where it is of this seed; of the others what their laws say.
    """
    unknowns = [u for u in scenario.unknowns if keys is None or u.key in keys]
    if "inputs" not in kinds:
        unknowns = []
    names = [u.key for u in unknowns]
    joint = scenario.joint
    learned = None if joint is None else joint.only(names)
    laws = [u.law for u in unknowns if learned is None or u.key not in learned.keys]
    free = [u.key for u in unknowns if learned is None or u.key not in learned.keys]
    # a learned row is drawn as one more number, so that the rows are taken evenly too
    rows = [] if learned is None else [Law("uniform", 0.0, len(learned))]
    found = draw_inputs([*laws, *rows], count, key=(seed, first))
    numbers = first + np.arange(len(found), dtype=np.int64)
    build = numbers if "builds" in kinds else np.full(len(found), scenario.trace.build, np.int64)
    columns = dict(zip(free, found.T, strict=False))
    if learned is not None:
        row = np.minimum(found[:, -1].astype(np.int64), len(learned) - 1)
        columns |= dict(zip(learned.keys, learned.values[row].T, strict=True))
        if learned.build is not None and learned.seed == seed and "builds" in kinds:
            build = learned.build[row]
    return Draws(
        scenario,
        tuple(names),
        np.stack([columns[name] for name in names], axis=1) if names else found[:, :0],
        build,
        numbers if "uses" in kinds else np.full(len(found), scenario.trace.build, np.int64),
    )


def light_unknowns(scenario: Scenario) -> list[Unknown]:
    """Inputs that aren't known and that the light of the mirrors hangs on.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    list of Unknown
    """
    return [u for u in scenario.unknowns if not u.key.startswith(DARK)]


def draw_inputs(laws: Sequence[Law], count: int, *, key: tuple[int, ...]) -> Array:
    """Draw numbers from their laws, independent of each other.

    Parameters
    ----------
    laws : sequence of Law
        U of them.
    count : int
        How many draws; rounded up to `REPEATS` equal sets, each independent of the others.
    key : tuple of int
        Of all that is random.

    Returns
    -------
    ndarray, shape (K, U)
        In the SI unit of each law.

    Notes
    -----
    Those of one set are points of a Sobol' sequence, scrambled anew for each set [1]_, so that
    each number is spread evenly over its law: propagation of distributions [2]_ with less noise
    than from independent draws.

    References
    ----------
    .. [1] A. B. Owen, Scrambling Sobol' and Niederreiter-Xing points, J. Complexity 14 (1998)
       466-489.
    .. [2] JCGM 101:2008, sections 5.9, 6.4 and 7.
    """
    from scipy.stats import qmc

    each = -(-count // REPEATS)
    out = np.zeros((each * REPEATS, len(laws)))
    if not laws:
        return out
    m = max(int(np.ceil(np.log2(each))), 0)
    for k in range(REPEATS):
        rng = np.random.default_rng([*key, k])
        out[k * each : (k + 1) * each] = qmc.Sobol(len(laws), rng=rng).random_base2(m)[:each]
    shares = np.clip(out, 1e-12, 1.0 - 1e-12)
    return np.column_stack([law.at(shares[:, j]) for j, law in enumerate(laws)])


def reshapes(key: str) -> bool:
    """Whether another value of a key makes another shape of cooker, to be made again.

    Parameters
    ----------
    key : str

    Returns
    -------
    bool
    """
    return key in SHAPED or not key.startswith(APART)


def cooker_of(base: Cooker, drawn: Scenario, keys: tuple[str, ...]) -> Cooker:
    """Exactly set cooker of a drawn scenario, without more work than the drawn keys ask for.

    Parameters
    ----------
    base : Cooker
        Of the scenario at its best values.
    drawn : Scenario
    keys : tuple of str
        That differ from the scenario's.

    Returns
    -------
    Cooker
    """
    if any(map(reshapes, keys)):
        return build_cooker(drawn)
    return replace(base, mirror=mirror_from_scenario(drawn.mirror))


def powers(
    draws: Draws,
    *,
    seed: int,
    sun_of: Callable[[Scenario], FacedSun] = faced_design_sun,
    beams: int = BEAMS,
    built: tuple[Cooker, Builds] | None = None,
    threads: int | None = None,
) -> Array:
    """Where the sunlight goes, draw by draw.

    Parameters
    ----------
    draws : Draws
    seed : int
        Key of the errors and samples.
    sun_of : callable
        The sun that a scenario's cooker faces; by default its design sun.
    beams : int
        A facet, in each draw.
    built : tuple of Cooker and Builds, optional
        Builds of a cooker that was measured, to be taken in turn instead of those drawn.
    threads : int, optional
        Changes no bit of the result.

    Returns
    -------
    ndarray, shape (K, L)
        By `raytrace.optics.tally.LINES`. [W]

    Raises
    ------
    GeometryError
        If a platform tilts into its pot.
    """
    base, builds = built or (build_cooker(draws.scenario), None)
    settings = LightSettings(beams, 1, seed, threads=threads)
    if not draws.keys:  # one scenario: all draws at once
        return _traced(draws.scenario, base, settings, sun_of, draws.build, draws.use, builds)
    return np.concatenate(
        [
            _traced(
                one.scenario,
                cooker_of(base, one.scenario, draws.keys),
                settings,
                sun_of,
                np.array([one.build]),
                np.array([one.use]),
                builds,
            )
            for one in draws
        ]
    )


def _traced(
    scenario: Scenario,
    cooker: Cooker,
    settings: LightSettings,
    sun_of: Callable[[Scenario], FacedSun],
    build: Whole,
    use: Whole,
    builds: Builds | None,
) -> Array:
    sun = sun_of(scenario)
    tolerances = tolerances_from_scenario(scenario)
    ensemble = Ensemble(scenario, cooker, tolerances, sun.shape, settings, sun)
    numbers = same_build(build) | {POINTING: use, POT: use}
    drawn = None if builds is None else builds[build % len(builds)]
    return ensemble.ledgers(tolerances, numbers, streams=use, drawn=drawn)[:, 0]


def likely(
    scenario: Scenario,
    count: int,
    figure: Callable[[Draws], Array],
    *,
    seed: int,
    keys: tuple[str, ...] | None = None,
) -> Likely:
    """What may be expected of a figure, and what makes it uncertain.

    Parameters
    ----------
    scenario : Scenario
    count : int
        Draws of everything; a quarter as many of each kind alone.
    figure : callable
        Gives the figure of each draw, shape (K,).
    seed : int
    keys : tuple of str, optional
        Inputs that are drawn; by default all that aren't known.

    Returns
    -------
    Likely
        In the figure's unit.
    """

    def drawn(kinds: tuple[str, ...], number: int) -> Array:
        return figure(draw_cookers(scenario, number, seed=seed, kinds=kinds, keys=keys))

    return likely_of(drawn(KINDS, count), {kind: drawn((kind,), count // 4) for kind in KINDS})


def likely_power(
    scenario: Scenario,
    count: int,
    *,
    seed: int,
    sun_of: Callable[[Scenario], FacedSun] = faced_design_sun,
    keys: tuple[str, ...] | None = None,
    built: tuple[Cooker, Builds] | None = None,
    threads: int | None = None,
) -> Likely:
    """What may be expected of the watts on the base.

    Parameters
    ----------
    scenario, count, seed
        As in `likely`.
    sun_of : callable
        As in `powers`.
    keys : tuple of str, optional
        Inputs that are drawn; by default all of `light_unknowns`.
    built : tuple of Cooker and Builds, optional
        As in `powers`.
    threads : int, optional

    Returns
    -------
    Likely
        [W]
    """
    keys = tuple(u.key for u in light_unknowns(scenario)) if keys is None else keys

    def watts(draws: Draws) -> Array:
        return powers(draws, seed=seed, sun_of=sun_of, built=built, threads=threads)[:, BASE]

    return likely(scenario, count, watts, seed=seed, keys=keys)


def likely_energy(
    scenario: Scenario,
    count: int,
    *,
    seed: int,
    times: Times,
    weights: Array,
    threads: int | None = None,
) -> Likely:
    """What may be expected of the energy on the base over some moments.

    Parameters
    ----------
    scenario, count, seed
        As in `likely`.
    times : times
        M moments, the platform turned to face the sun at each; see `raytrace.sky.clock.site_times`.
    weights : ndarray, shape (M,)
        Time that each stands for. [s]
    threads : int, optional

    Returns
    -------
    Likely
        [J]
    """

    def energy(draws: Draws) -> Array:
        base = build_cooker(scenario)
        out = []
        for one in draws:
            settings = LightSettings(1, 1, seed, threads=threads)
            setup = one.setup(base, draws.keys, settings)
            out.append(weights @ pot_light(setup, times, times).base[:, 0])
        return np.array(out)

    keys = tuple(u.key for u in light_unknowns(scenario))
    return likely(scenario, count, energy, seed=seed, keys=keys)
