"""Contact sheet of pictures of the target card: each straightened, with the spot found in it.

A look at it tells whether what was taken for the laser's spot is one.
"""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.patches import Ellipse

from raytrace.reports.common.style import GREY, INK, LIGHT, ORANGE, SKY, SMALL, WIDTH, head_and_foot
from raytrace.reports.common.style import headed_figure as headed
from raytrace.reports.common.units import drawn, quantity, retold
from raytrace.studies.bench.spots_by_photo import NEAR
from raytrace.texts import cut

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from raytrace.studies.bench.spots_by_photo import Shot, SpotsByPhoto

__all__ = ["contact_sheet", "figures"]

COLUMNS = 3
MOST = 45  # pictures on a sheet
CELL, GAP, NAME = 0.98, 0.06, 0.34  # side of a square, white beside it, words above it [in]
SURE = 2.0  # standard errors that are drawn
LETTERS, BESIDE, LINES = 30, 17, 7  # of words above a picture; on a line beside it, and lines


def figures(found: SpotsByPhoto) -> dict[str, Figure]:
    """All figures of a set of pictures.

    Parameters
    ----------
    found : SpotsByPhoto

    Returns
    -------
    dict of str to Figure
    """
    shots = sorted(found.shots, key=lambda shot: not shot.why)  # those to look at first
    parts = [shots[k : k + MOST] for k in range(0, len(shots), MOST)]
    names = ["photo"] if len(parts) == 1 else [f"photo-{k}" for k in range(1, len(parts) + 1)]
    return {name: contact_sheet(found, part) for name, part in zip(names, parts, strict=True)}


def contact_sheet(found: SpotsByPhoto, shots: list[Shot]) -> Figure:
    """Draw pictures: the whole card, and the surroundings of its spot.

    Parameters
    ----------
    found : SpotsByPhoto
    shots : list of Shot

    Returns
    -------
    Figure
    """
    scenario = found.wanted.scenario
    words = (
        "Is what is ringed the laser's spot? Left: the card, seen as the platform's axes have it, "
        f"x to the right, the sun's side up; cross: where the spot belongs. Right: {_wide()} round "
        "the spot; ellipse: two standard errors. What was not read comes first."
    )
    stated = [f"{len(found.shots)} pictures"]
    above, below = head_and_foot(scenario, words, stated)
    rows = math.ceil(len(shots) / COLUMNS)
    tall = NAME + CELL + 0.1
    height = above + rows * tall + below + 0.1
    figure = headed(WIDTH, height, scenario, words, stated)
    wide = (WIDTH - 0.35) / COLUMNS
    mark = dict(zip(found.wanted.labels, found.wanted.mark, strict=True))
    for k, shot in enumerate(shots):
        row, column = divmod(k, COLUMNS)
        left, top = 0.35 + column * wide, height - above - row * tall
        for side in range(2):
            box = (left + side * (CELL + GAP), top - NAME - CELL, CELL, CELL)
            axes = figure.add_axes(
                (box[0] / WIDTH, box[1] / height, box[2] / WIDTH, box[3] / height)
            )
            axes.set_axis_off()
            if side == 0:
                _card(axes, shot, mark.get(shot.facet or ""))
            elif shot.why:
                why = retold(shot.why).partition(". ")[0]
                lines = textwrap.wrap(why, BESIDE, max_lines=LINES, placeholder=" …")
                axes.text(0.0, 1.0, "\n".join(lines), size=SMALL, color=INK, va="top")
            elif shot.close is not None:
                _close(axes, shot)
        name = cut(f"{shot.facet or '?'} · {shot.picture}", LETTERS)
        colour = ORANGE if shot.why else INK
        figure.text(left / WIDTH, (top - 0.13) / height, name, size=SMALL, color=colour,
                    weight="bold" if shot.why else "normal")  # fmt: skip
        second = "not read" if shot.why else _errors(shot)
        figure.text(left / WIDTH, (top - 0.27) / height, second, size=SMALL, color=GREY)
    return figure


def _wide() -> str:
    return quantity("length", 2.0 * NEAR, 0)


def _errors(shot: Shot) -> str:
    assert shot.sigma is not None
    x, y = (quantity("length", float(v), 1) for v in shot.sigma)
    return f"± {x} (x), ± {y} (y)"


def _card(axes: Axes, shot: Shot, mark: Any) -> None:
    if shot.flat is None:
        axes.add_patch(_blank(axes))
        return
    half = drawn(shot.flat.half)
    axes.imshow(shot.flat.pixels, extent=(-half, half, -half, half))
    if mark is not None and np.isfinite(mark).all():
        axes.plot(*drawn(mark), "+", color=SKY, ms=7, mew=0.9)
    for place in shot.places if shot.place is None else (shot.place,):
        axes.plot(*drawn(np.asarray(place)), "o", mfc="none", mec=ORANGE, ms=9, mew=0.9)
    axes.set_xlim(-half, half)
    axes.set_ylim(-half, half)


def _blank(axes: Axes) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((0.0, 0.0), 1.0, 1.0, transform=axes.transAxes, color=LIGHT)


def _close(axes: Axes, shot: Shot) -> None:
    assert shot.close is not None
    assert shot.place is not None
    assert shot.sigma is not None
    near = drawn(NEAR)
    x, y = drawn(shot.place)
    axes.imshow(shot.close, extent=(x - near, x + near, y - near, y + near))
    width, height = 2.0 * SURE * drawn(shot.sigma)
    axes.add_patch(Ellipse((x, y), width, height, fc="none", ec=ORANGE, lw=1.0))
    for dx, dy in ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)):
        ends = np.array([0.55, 0.95]) * near
        axes.plot(x + dx * ends, y + dy * ends, color=ORANGE, lw=0.6)
