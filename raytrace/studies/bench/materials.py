"""What a cooker is built from, what that costs, and how long the work takes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import DISC, Cooker

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario
    from raytrace.scenario.workshop_sections import Workshop

__all__ = ["Bill", "CutPlan", "Materials", "Work", "fitting", "lay_out", "materials_of", "work_of"]

Array = NDArray[np.float64]

HAIR = 1e-9  # what rounding may take from a piece that just fits [m]


def fitting(room: float, piece: float, gap: float = 0.0) -> int:
    """How many pieces lie side by side.

    Parameters
    ----------
    room, piece : float
        Lengths. [m]
    gap : float
        Between two pieces. [m]

    Returns
    -------
    int

    Examples
    --------
    >>> fitting(0.58, 0.1), fitting(0.2, 0.1), fitting(0.2, 0.1, 0.003), fitting(0.05, 0.1)
    (5, 2, 1, 0)
    """
    return max(0, math.floor((room + gap + HAIR) / (piece + gap)))


def lay_out(
    room: tuple[float, float], piece: tuple[float, float], kerf: float = 0.0, most: int = 10_000
) -> tuple[int, Array, NDArray[np.bool_]]:
    """Lay equal rectangles on a sheet so that straight cuts from edge to edge part them.

    Parameters
    ----------
    room : (float, float)
        Width and height of the sheet within its trimmed edges. [m]
    piece : (float, float)
        Width and height of a piece, which may lie either way. [m]
    kerf : float
        Lost in each cut. [m]
    most : int
        Pieces that are wanted: further ones are counted only.

    Returns
    -------
    count : int
        Of pieces that there is room for.
    corner : ndarray, shape (P, 2)
        Lower left corner of each piece from the room's, strip by strip. [m]
    turned : ndarray of bool, shape (P,)
        Whether it lies crosswise.

    Notes
    -----
    A first cut parts the sheet in two, each of which is a grid of pieces that lie the same way;
    all such plans are tried. Plans of more cuts may give a piece or two more, but are easily cut
    wrong. Squares in a grid are as many as any plan has without kerf: of the
    points a side apart in both directions, starting a side from the corner, every square that is
    laid along the edges holds one, and only floor(W / a) floor(H / a) lie in the sheet.

    Examples
    --------
    >>> lay_out((0.98, 0.58), (0.1, 0.1))[0]
    45
    """
    # pieces, those of the first block, how they lie, along which axis, where the second starts
    best = 0, 0, False, 0, 0.0
    for turned in (False, True) if piece[0] != piece[1] else (False,):
        size = piece[::-1] if turned else piece
        for axis in (1, 0):
            strips = fitting(room[axis], size[axis], kerf)
            beside = fitting(room[1 - axis], size[1 - axis], kerf)
            crosswise = fitting(room[1 - axis], size[axis], kerf)
            for number in range(strips, 0, -1):
                start = number * (size[axis] + kerf)
                first = number * beside
                rest = crosswise * fitting(room[axis] - start, size[1 - axis], kerf)
                if first + rest > best[0]:
                    best = first + rest, first, turned, axis, start
    count, first, turned, axis, start = best
    here = _grid(min(first, most), room, piece[::-1] if turned else piece, kerf, axis)
    rest = min(count, most) - len(here)
    there = _grid(rest, room, piece if turned else piece[::-1], kerf, axis)
    there[:, axis] += start
    return (
        count,
        np.concatenate([here, there]),
        np.repeat([turned, not turned], [len(here), len(there)]),
    )


def _grid(
    count: int, room: tuple[float, float], size: tuple[float, float], kerf: float, axis: int
) -> Array:
    """Corners of so many pieces in strips that lie one after the other along an axis."""
    beside = fitting(room[1 - axis], size[1 - axis], kerf)
    steps = np.stack(np.divmod(np.arange(count), max(beside, 1)), axis=1)
    return (steps if axis == 0 else steps[:, ::-1]) * (np.array(size) + kerf)


@dataclass(frozen=True, eq=False)
class CutPlan:
    """How mirrors are cut from sheets of stock; P pieces on a whole sheet.

    Attributes
    ----------
    piece : ndarray, shape (2,)
        Width and height of the rectangle that a mirror is cut from. [m]
    sheet : ndarray, shape (2,)
        Width and height of a sheet. [m]
    corner : ndarray, shape (P, 2)
        Lower left corner of each piece from the sheet's. [m]
    turned : ndarray of bool, shape (P,)
        Whether it lies crosswise.
    room : int
        Pieces that a sheet has room for, also beyond those that are needed.
    n_sheets : int
        0 if a piece is larger than a sheet.
    n_last : int
        Pieces on the last sheet.
    waste : float
        Share of the bought area that ends in no mirror, spare ones counting as mirrors.
    """

    piece: Array
    sheet: Array
    corner: Array
    turned: NDArray[np.bool_]
    room: int
    n_sheets: int
    n_last: int
    waste: float

    DIMS: ClassVar = {"P": "piece"}


@dataclass(frozen=True)
class Work:
    """Hours of building a cooker and setting its facets.

    Attributes
    ----------
    cutting, mounting, setting, checking, other : float
        [s]
    """

    cutting: float
    mounting: float
    setting: float
    checking: float
    other: float

    ALSO: ClassVar = ("total",)
    SHOWN: ClassVar = dict.fromkeys(
        ("cutting", "mounting", "setting", "checking", "other", "total"), "h"
    )

    @property
    def total(self) -> float:
        """All of it. [s]"""
        return self.cutting + self.mounting + self.setting + self.checking + self.other


@dataclass(frozen=True)
class Bill:
    """What it costs, in the scenario's currency; None where the scenario states no price.

    Attributes
    ----------
    mirrors : float or None
        As they are bought: by whole sheets, or each in its shape.
    facets : float or None
        Mounts or wedges, and glue.
    fixed : float or None
        Platform, stand and laser.
    work : float or None
    """

    mirrors: float | None
    facets: float | None
    fixed: float | None
    work: float | None

    @property
    def total(self) -> float | None:
        """Sum of what has a price; None if nothing has."""
        stated = [x for x in (self.mirrors, self.facets, self.fixed, self.work) if x is not None]
        return sum(stated) if stated else None


@dataclass(frozen=True, eq=False)
class Materials:
    """What a cooker is built from.

    Attributes
    ----------
    n_mirrors : int
        That the cooker carries.
    n_spare : int
    mirror_size : ndarray, shape (2,)
        Width and height; both the diameter of a round one. [m]
    cut : CutPlan or None
        None where mirrors are bought in their shape.
    glue : float
        [kg]
    board : ndarray, shape (3,)
        Width across, depth toward the sun, thickness. [m]
    post : ndarray, shape (K, 3)
        Width, depth and length of each post of the pot. [m]
    work : Work
    bill : Bill
    """

    n_mirrors: int
    n_spare: int
    mirror_size: Array
    cut: CutPlan | None
    glue: float
    board: Array
    post: Array
    work: Work
    bill: Bill


def spares(workshop: Workshop, facets: int) -> int:
    """Mirrors beyond those that a cooker carries.

    Parameters
    ----------
    workshop : Workshop
    facets : int

    Returns
    -------
    int
    """
    return math.ceil(workshop.spare * facets - 1e-9)


def work_of(workshop: Workshop, facets: int) -> Work:
    """Time that it takes to build a cooker and set its facets.

    Parameters
    ----------
    workshop : Workshop
    facets : int
        Spare mirrors are cut besides.

    Returns
    -------
    Work
    """
    w = workshop
    cut = facets + spares(w, facets) if w.mirrors == "cut" else 0
    return Work(
        cut * w.cut_work, facets * w.mount_work, facets * w.set_work, facets * w.check_work,
        w.fixed_work,
    )  # fmt: skip


def materials_of(scenario: Scenario, cooker: Cooker) -> Materials:
    """Work out what a cooker is built from.

    Parameters
    ----------
    scenario : Scenario
        Its sections `workshop` and `cost` are read.
    cooker : Cooker
        Exactly set; missing facets need nothing.

    Returns
    -------
    Materials
    """
    facets, shop = cooker.facets, scenario.workshop
    count = int(facets.present.sum())
    spare = spares(shop, count)
    size = 2.0 * np.array([facets.half_u[0], facets.half_v[0]])
    area = float(facets.area[facets.present][0]) if count else 0.0
    plan = None
    if shop.mirrors == "cut":
        rim = 2.0 * shop.stock.rim if facets.shape[0] == DISC else 0.0
        plan = _cut_plan(shop, size + rim, count + spare, area)
    x0, x1, y0, y1 = (float(x) for x in cooker.extent)
    posts = cooker.pot.posts
    work = work_of(shop, count)
    return Materials(
        n_mirrors=count,
        n_spare=spare,
        mirror_size=size,
        cut=plan,
        glue=count * shop.glue,
        board=np.array([x1 - x0, y1 - y0, scenario.platform.thickness]),
        post=posts[:, 3:] - posts[:, :3],
        work=work,
        bill=_bill(scenario, plan, (count + spare) * area, count, work),
    )


def _cut_plan(shop: Workshop, piece: Array, mirrors: int, area: float) -> CutPlan:
    stock = shop.stock
    sheet = np.array([stock.width, stock.height])
    room = sheet - 2.0 * stock.trim
    n, corner, turned = lay_out((room[0], room[1]), (piece[0], piece[1]), stock.kerf, mirrors)
    sheets = math.ceil(mirrors / n) if n else 0
    return CutPlan(
        piece=piece,
        sheet=sheet,
        corner=corner + stock.trim,
        turned=turned,
        room=n,
        n_sheets=sheets,
        n_last=mirrors - (sheets - 1) * n if sheets else 0,
        waste=1.0 - mirrors * area / (sheets * float(sheet.prod())) if sheets else 0.0,
    )


def _bill(scenario: Scenario, plan: CutPlan | None, area: float, count: int, work: Work) -> Bill:
    cost = scenario.cost
    bought: float | None = area
    if plan is not None:
        bought = plan.n_sheets * float(plan.sheet.prod()) if plan.n_sheets else None

    def stated(key: str, amount: float | None) -> float | None:
        given = key in cost.model_fields_set and amount is not None
        return getattr(cost, key) * amount if given else None

    return Bill(
        mirrors=stated("mirror", bought),
        facets=stated("facet", count),
        fixed=stated("fixed", 1.0),
        work=stated("wage", work.total / 3600.0),
    )
