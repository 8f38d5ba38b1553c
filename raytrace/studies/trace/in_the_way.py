"""Who takes light from whom at one sun, and which change of the cooker wins some of it back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.pose import posed
from raytrace.exceptions import GeometryError, ScenarioError
from raytrace.light.expected import Expected
from raytrace.light.setup import design_sun, scenario_sunshape
from raytrace.optics.obstacles import Obstacles, find_obstacles
from raytrace.optics.tally import BASE, LINES
from raytrace.sky.sun import sun_at
from raytrace.studies.trace.board import stand_doubts

if TYPE_CHECKING:
    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario
    from raytrace.sky.sun import Sun
    from raytrace.studies.trace.run import Moment

__all__ = ["ASIDE", "TURN", "WORTH", "InTheWay", "in_the_way"]

Array = NDArray[np.float64]

REPLICATES = 8
MOST_POINTS, FACETS_TRACED = 8, 2048  # ways to turn, in a replicate: fewer of a large cooker
STEPS = 0.05, 0.1, 0.2  # of a facet's height, by which pitch and rise are changed in turn
LIFTS = -0.1, 0.1  # of the pot's height
TURN = "pot.support.post_turn"
TURNS = np.arange(-3, 5) / 8.0  # of the angle from post to post
ASIDE = np.radians(3.0)  # sun positions lower and higher, at which what wins is tried again
LOWEST, HIGHEST = np.radians([5.0, 89.0])
LEAST = 0.01  # of the sunlight on the mirrors, delivered
WORTH = (
    0.01  # of the watts: what wins less is not worth building otherwise; common practice, no source
)
FREES = 1.0 / 3.0  # of what a change wins, that has to be light freed
ENOUGH = 0.8  # of the most that changing a key wins: the least change that has so much is named
SURE = 3.0  # standard errors by which a change has to win
TAKEN = [LINES.index("shaded"), LINES.index("blocked")]

Change = tuple[str, float, tuple[str, ...]]  # key, by how much [m or rad], what is set


@dataclass(frozen=True, eq=False)
class InTheWay:
    """What keeps light from the facets and from the pot, and what would free it.

    Attributes
    ----------
    obstacles : Obstacles
        Of the build that was traced, pair by pair.
    watts : float
        Delivered on average over builds and turnings, nothing changed. [W]
    key : tuple of str, shape (O,)
        Keys of which a change frees light and wins watts, the best over the three sun positions
        first; but before all the stand's turn, which costs nothing, if it wins nearly as much.
    set_to : tuple of str, shape (O,)
        What to set, as --set takes it; several with a space between.
    change : ndarray, shape (O,)
        By how much the key is changed; an angle for the stand's turn. [m or rad]
    gain, gain_se : ndarray, shape (O,)
        Watts that it wins, all told, and the standard error. [W]
    freed : ndarray, shape (O,)
        Light less that is shaded and blocked. [W]
    lower, higher : ndarray, shape (O,)
        Watts that it wins with the sun 3° lower and higher; nan where the sun can't stand so. [W]
    """

    obstacles: Obstacles
    watts: float
    key: tuple[str, ...]
    set_to: tuple[str, ...]
    change: Array
    gain: Array
    gain_se: Array
    freed: Array
    lower: Array
    higher: Array

    DIMS: ClassVar = {"O": "change"}

    @property
    def over_positions(self) -> Array:
        """What each change wins, mean of the sun positions that it is tried at, shape (O,). [W]"""
        return np.asarray(np.nanmean([self.gain, self.lower, self.higher], axis=0))


def in_the_way(
    scenario: Scenario, cooker: Cooker, moment: Moment, share: float, *, seed: int = 1,
    threads: int | None = None,
) -> InTheWay | None:  # fmt: skip
    """Find who takes light from whom, where that is more than a share of what is delivered.

    Parameters
    ----------
    scenario : Scenario
    cooker : Cooker
        As built, its pot as at zero tilt.
    moment : Moment
        As traced.
    share : float
        Of the delivered watts, that facets, pot and posts take at least.
    seed : int
    threads : int, optional

    Returns
    -------
    InTheWay or None
        None where less is taken, or next to nothing is delivered: then the sun stands wrong, and
        what is in the way doesn't matter.

    Notes
    -----
    Changes are judged by the mean over builds and turnings, by the same random draws before and
    after: it counts that facets further out stand at a greater slant, too. Each key is changed by
    itself. A change after which posts would stand in the board or beside it is none.
    """
    tally, dni = moment.tally, moment.dni
    delivered = float(tally.delivered)
    taken = sum(float(tally.line(name)) for name in ("shaded", "blocked"))
    covered = cooker.pot.covered
    grate = delivered * covered / (1.0 - covered) if covered < 1.0 else taken
    if delivered <= LEAST * tally.incoming or taken - grate <= share * delivered:
        return None
    found = find_obstacles(
        posed(cooker, moment.pose),
        tally.sun,
        scenario_sunshape(scenario),
        dni=dni,
        seed=seed,
    )
    sun = sun_at(scenario, [moment.time]) if moment.time is not None else design_sun(scenario)[0]
    trials = _Trials(scenario, sun, moment.pose.tilt, seed, threads)
    best = [each for key in _keys(scenario) if (each := trials.best_of(key)) is not None]
    tried = [(each, trials.aside(each[0])) for each in best]
    # what wins at the positions near by, too, comes first
    wins = [_mean(each[1], aside) for each, aside in tried]
    free = [
        each[0][0] == TURN and w >= ENOUGH * max(wins)
        for (each, _), w in zip(tried, wins, strict=True)
    ]
    tried = [tried[k] for k in sorted(range(len(tried)), key=lambda k: (not free[k], -wins[k]))]
    best, won = [each for each, _ in tried], [aside for _, aside in tried]
    numbers = np.array([each[1:] for each in best]).reshape(len(best), 3)
    return InTheWay(
        obstacles=found,
        watts=trials.watts,
        key=tuple(change[0] for change, *_ in best),
        set_to=tuple(" ".join(change[2]) for change, *_ in best),
        change=np.array([change[1] for change, *_ in best]),
        gain=numbers[:, 0],
        gain_se=numbers[:, 1],
        freed=numbers[:, 2],
        lower=np.array([w[0] for w in won]),
        higher=np.array([w[1] for w in won]),
    )


class _Trials:
    """Changes of one scenario, tried at one sun."""

    def __init__(
        self, scenario: Scenario, sun: Sun, tilt: float, seed: int, threads: int | None
    ) -> None:
        self.scenario, self.sun, self.tilt = scenario, sun, tilt
        self.seed, self.threads = seed, threads
        count = len(build_cooker(scenario).facets)
        self.points = int(np.clip(FACETS_TRACED // count, 4, MOST_POINTS))
        self.base = self._expected(())
        self.stands = not stand_doubts(self.base.cooker, tilt)
        self.ledger = self.base.at_sun(sun, self.points)
        self.watts = float(self.ledger[:, BASE].mean())

    def _expected(self, settings: tuple[str, ...]) -> Expected:
        scenario = self.scenario.varied(settings) if settings else self.scenario
        return Expected(
            scenario, build_cooker(scenario), REPLICATES, seed=self.seed, threads=self.threads
        )

    def best_of(self, key: str) -> tuple[Change, float, float, float] | None:
        """The least change of a key that wins most of what it can, if that is worth it.

        The stand is as easily turned far as little: of its turns it is the one that wins most over
        the three sun positions.
        With its gain, the standard error of that and the light that it frees. [W]
        """
        won: list[tuple[Change, float, float, float]] = []
        for way in _ways(self.scenario, key):
            least = -np.inf
            for change in way:
                try:
                    changed = self._expected(change[2])
                    if self.stands and stand_doubts(changed.cooker, self.tilt):
                        break
                    ledger = changed.at_sun(self.sun, self.points)
                except (GeometryError, ScenarioError):
                    break  # facets cut something: larger changes do so too
                more = ledger - self.ledger
                gain = float(more[:, BASE].mean())
                se = float(more[:, BASE].std(ddof=1)) / REPLICATES**0.5
                freed = -float(more[:, TAKEN].sum(axis=1).mean())
                if gain <= least:
                    break
                least = gain
                if gain > max(SURE * se, WORTH * self.watts) and freed > FREES * gain:
                    won.append((change, gain, se, freed))
        most = max((gain for _, gain, _, _ in won), default=0.0)
        enough = [each for each in won if each[1] >= ENOUGH * most]
        if key == TURN:
            return max(enough, key=lambda e: _mean(e[1], self.aside(e[0])), default=None)
        return min(enough, key=lambda each: abs(each[0][1]), default=None)

    def aside(self, change: Change) -> tuple[float, float]:
        """What a change wins with the sun lower and higher. [W]"""
        dni = float(self.sun.dni[0])
        won = []
        changed = self._expected(change[2])
        for aside in (-ASIDE, ASIDE):
            alpha = float(self.sun.alpha[0]) + aside
            if not LOWEST <= alpha <= HIGHEST:
                won.append(np.nan)
                continue
            position = np.array([alpha]), np.zeros(1)
            try:
                after, before = (
                    x.at(*position, self.points)[..., BASE].mean() for x in (changed, self.base)
                )
                won.append(float(dni * (after - before)))
            except GeometryError:  # the platform would tilt into the pot
                won.append(np.nan)
        return won[0], won[1]


def _mean(gain: float, aside: tuple[float, float]) -> float:
    """Of what a change wins at the sun and with it lower and higher, where it can stand so. [W]"""
    return float(np.nanmean([gain, *aside]))


def _keys(scenario: Scenario) -> tuple[str, ...]:
    facets = scenario.facets
    rows = ("facets.pitch_y", "facets.row_rise") * (facets.rows > 1)
    columns = ("facets.pitch_x",) * (facets.columns > 1)
    spacing = () if facets.layout == "places" else (*rows, *columns)
    return (*spacing, "pot.base_height", *(TURN,) * (scenario.pot.support.posts > 0))


def _ways(scenario: Scenario, key: str) -> Iterator[Iterator[Change]]:
    """Changes of a key, each way from small to large."""
    facets = scenario.facets

    def changes(
        steps: Array, value: float, more: Callable[[float], tuple[str, ...]]
    ) -> Iterator[Change]:
        for step in steps:
            yield key, float(step), (f"{key}={_mm(value + step)}", *more(float(step)))

    def nothing(step: float) -> tuple[str, ...]:
        return ()

    def lifted(step: float) -> tuple[str, ...]:
        """Rows that fall toward the pot begin higher, so that the last stands where it did."""
        height = facets.mount_height - min(step, 0.0) * (facets.rows - 1)
        return (f"facets.mount_height={_mm(height)}",) if step < 0.0 else ()

    steps = np.maximum(np.round(1e3 * np.array(STEPS) * facets.height), 1.0) / 1e3
    if key == "pot.base_height":
        height = scenario.pot.base_height
        for lift in LIFTS:
            yield changes(np.round([1e3 * lift * height]) / 1e3, height, nothing)
    elif key == TURN:
        support = scenario.pot.support
        now = np.degrees(support.post_turn)
        for step in np.unique(np.round(TURNS * 360.0 / support.posts)):
            if step:
                setting = f"{TURN}={(now + step + 180.0) % 360.0 - 180.0:.6g}deg"
                yield iter([(key, float(np.radians(step)), (setting,))])
    elif key == "facets.row_rise":
        yield changes(steps, facets.row_rise, lifted)
        yield changes(-steps, facets.row_rise, lifted)
    else:
        yield changes(steps, getattr(facets, key.partition(".")[2]), nothing)


def _mm(metres: float) -> str:
    return f"{round(1e3 * metres, 3):g}mm"
