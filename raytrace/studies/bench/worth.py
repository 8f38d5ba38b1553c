"""When work on a built cooker is worth it: what a scenario's `[workshop]` asks of a gain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = ["CLEAR", "HOUR", "Judged", "Worth", "weigh", "worth_of"]

Judged = Literal["worth it", "borderline", "not worth it"]

CLEAR = 2.0  # standard deviations between a gain and what is asked of it that make it clear
HOUR = 3600.0  # [s]


@dataclass(frozen=True)
class Worth:
    """What is asked of work on a built cooker.

    Attributes
    ----------
    redo_work : float
        Of one facet. [s]
    nudge_work : float
        Of turning one facet while its glue is soft. [s]
    hour_wins : float
        Least that an hour must win at the design sun. [W]
    wanted : float or None
        Delivered by a cooker that is good enough; None where no such figure is stated. [W]
    """

    redo_work: float
    nudge_work: float
    hour_wins: float
    wanted: float | None

    def work(self, facets: int = 1) -> float:
        """Work of setting some facets again. [s]

        Parameters
        ----------
        facets : int

        Returns
        -------
        float
        """
        return facets * self.redo_work

    def least(self, facets: int = 1) -> float:
        """Watts that setting so many facets again must win to be worth it. [W]

        Parameters
        ----------
        facets : int

        Returns
        -------
        float
        """
        return self.work(facets) / HOUR * self.hour_wins

    def judge(self, gain: float, sd: float, facets: int = 1) -> Judged:
        """Say whether a gain is worth its work, as far as its uncertainty lets one say.

        Parameters
        ----------
        gain : float
            Of setting these facets again. [W]
        sd : float
            Its standard deviation, of reading errors above all. [W]
        facets : int
            How many are set again; none for a move that takes no time worth counting.

        Returns
        -------
        str
            "borderline" where the gain is nearer to what is asked than two standard deviations,
            and where it is not clear of zero.
        """
        return weigh(gain, sd, self.least(facets))

    def enough(self, delivered: float) -> bool:
        """Whether a cooker delivers what is wanted, if anything is.

        Parameters
        ----------
        delivered : float
            At the design sun. [W]

        Returns
        -------
        bool
        """
        return self.wanted is not None and delivered >= self.wanted


def weigh(gain: float, sd: float, least: float) -> Judged:
    """Hold a gain against what is asked of it.

    Parameters
    ----------
    gain, sd : float
        And its standard deviation. [W]
    least : float
        That it must win. [W]

    Returns
    -------
    str
        As `Worth.judge`.
    """
    over = gain - least
    if over > CLEAR * sd and gain > 0.0:
        return "worth it"
    return "borderline" if over > -CLEAR * sd and sd > 0.0 else "not worth it"


def worth_of(scenario: Scenario) -> Worth:
    """Read what a scenario asks of work on a built cooker.

    Parameters
    ----------
    scenario : Scenario
        Its section `workshop`; the defaults are common practice, no source.

    Returns
    -------
    Worth
    """
    w = scenario.workshop
    return Worth(w.redo_work, w.nudge_work, w.hour_wins, w.wanted)
