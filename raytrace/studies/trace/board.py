"""What stands wrongly on the board or beside it: facets over its edge, a pot's stand in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker import collision as solids
from raytrace.cooker.geometry import TOUCH, named
from raytrace.cooker.pose import Pose, posed

if TYPE_CHECKING:
    from raytrace.cooker.geometry import Cooker
    from raytrace.scenario.schema import Scenario

__all__ = ["board_doubts", "stand_doubts"]

Array = NDArray[np.float64]

KEYS = ("width", "depth")


def board_doubts(scenario: Scenario, cooker: Cooker, tilt: float) -> list[str]:
    """Say what hangs over the board's edge, stands beside it or stands in it.

    Parameters
    ----------
    scenario : Scenario
    cooker : Cooker
        Its own, exactly set, at zero tilt.
    tilt : float
        At which the stand is looked at besides. [rad]

    Returns
    -------
    list of str
        Each with its key; empty if all is well.
    """
    return [*_over_the_edge(scenario, cooker), *stand_doubts(cooker, tilt)]


def _over_the_edge(scenario: Scenario, cooker: Cooker) -> list[str]:
    """Facets beyond the edges, and the size of a board that would hold them."""
    facets = cooker.facets
    here = np.flatnonzero(facets.present)
    outline = facets.outlines(here)[..., :2]
    mount = facets.mount[here, :2]
    low, high = cooker.extent[::2], cooker.extent[1::2]
    doubts = []
    for axis, key in enumerate(KEYS):
        given = getattr(scenario.platform, key)
        reach = np.maximum(low[axis] - outline[..., axis], outline[..., axis] - high[axis])
        over = reach.max(axis=1)
        if given is None or (over <= TOUCH).all():
            continue
        off = np.maximum(low[axis] - mount[:, axis], mount[:, axis] - high[axis]) > TOUCH
        who = named([facets.label[f] for f in here[over > TOUCH]])
        loose = named([facets.label[f] for f in here[off]])
        corner = scenario.platform.origin == "corner"
        needed = np.ceil(1e3 * (given + (1.0 if corner else 2.0) * over.max()) - 1e-6)
        mend = f' A board of "{needed:.0f} mm" holds them all.'
        if corner and (low[axis] - outline[..., axis]).max() > TOUCH:
            mend = (
                " Places are counted from that edge's corner: move them, or count from its middle."
            )
        doubts.append(
            f"platform.{key}: facets {who} hang over the board's edge by up to "
            f"{1e3 * over.max():.0f} mm"
            + (f", and the mounts of {loose} stand beside the board" if off.any() else "")
            + f".{mend}"
        )
    return doubts


def stand_doubts(cooker: Cooker, tilt: float) -> list[str]:
    """Say which posts go through the board, or have no board under them.

    Parameters
    ----------
    cooker : Cooker
        At zero tilt.
    tilt : float
        At which a stand on the ground is looked at besides. [rad]

    Returns
    -------
    list of str
        Empty if all is well.
    """
    pot = cooker.pot
    if pot.stand == "platform":
        foot = pot.base + pot.feet
        down = foot[:, 2] <= TOUCH
        foot = foot[:, :2]
        beside = ((foot < cooker.extent[::2]) | (foot > cooker.extent[1::2])).any(axis=1) & down
        if not beside.any():
            return []
        return [
            f"pot.support.posts: {_posts(beside)} beside the board, on nothing. Move the pot "
            "(pot.place), make the board larger (platform.width, platform.depth) or write how far "
            "the posts reach down (pot.support.post_drop)."
        ]
    for angle in dict.fromkeys((0.0, tilt)):
        through = _in_board(posed(cooker, Pose(tilt=angle)))
        if through.any():
            at = f" tilted by {np.degrees(angle):.1f}°" if angle else ""
            return [
                f'pot.stand = "ground": {_posts(through)} in the board{at}. Move the pot beyond '
                "the board's edge (pot.place), make the board smaller (platform.width, "
                "platform.depth) or stand the pot on the board."
            ]
    return []


def _posts(which: NDArray[np.bool_]) -> str:
    numbers = [str(k + 1) for k in np.flatnonzero(which)]
    return f"post {numbers[0]} stands" if len(numbers) == 1 else f"posts {named(numbers)} stand"


def _in_board(cooker: Cooker) -> NDArray[np.bool_]:
    """Which of the posts share room with the board."""
    pot = cooker.pot
    x0, x1, y0, y1 = cooker.extent
    corners, normals, edges = solids.box_body(
        np.array([x0, y0, -cooker.thickness]), np.array([x1, y1, 0.0])
    )
    turn = pot.stand_frame.T
    board = (corners - pot.base) @ turn, normals @ turn, edges @ turn
    return np.array(
        [solids.overlap(solids.box_body(p[:3], p[3:]), board, TOUCH) for p in pot.posts], dtype=bool
    )
