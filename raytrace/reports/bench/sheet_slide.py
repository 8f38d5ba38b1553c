"""The laser slide: its two axes, where it stands, and three proofs of its angle."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.reports.bench.angle import angle_sentences
from raytrace.reports.bench.sheet_pages import grid, styles
from raytrace.reports.common.lengths import Rule, degrees
from raytrace.reports.common.paper import GREY, INK, PLAIN, escape
from raytrace.studies.bench.setting import slid_places

if TYPE_CHECKING:
    from collections.abc import Sequence

    from raytrace.studies.bench.sheet import Sheet

__all__ = ["proof_rows", "slide_page", "slide_reach"]

HEIGHT = {"mm": 1.5, "in": 5 * 0.3048}  # of the slide above the platform's top [m]
DROPS = {"mm": (0.5, 1.0, 1.5), "in": (20 * 0.0254, 40 * 0.0254, 60 * 0.0254)}  # [m]
MISREAD = {"mm": (2e-3, "2 mm"), "in": (0.0254 / 16.0, "1/16 in")}  # [m]
LETTERS = 6.6  # [pt]
PROOFS, WRITING = 4, 15.0  # rows to write in, and their height [pt]

CAUTION = (
    "Laser of class 2 (1 mW) at most. Clamp it so that it can't swing or drop, switch it off while "
    "you move it, never look along its tube, lit or not, and keep every face off the height of the "
    "beam and of what mirrors, tapes and plumb bobs throw back. Never look at the sun to prove the "
    "angle: look at the shadow, all mirrors covered."
)


def slide_reach(sheet: Sheet, altitude: float, height: float) -> tuple[float, float, float]:
    """How far a laser on a level slide travels to light every facet's middle.

    Parameters
    ----------
    sheet : Sheet
    altitude : float
        That it shines down at. [rad]
    height : float
        Of its opening above the platform's top. [m]

    Returns
    -------
    across : float
        Travel to the platform's right and left. [m]
    near, far : float
        Ends of its travel toward the sun, from the platform's middle along the floor. [m]
    """
    here = sheet.cooker.facets.present & (np.abs(sheet.laser_altitude - altitude) < 1e-6)
    x, y, _ = slid_places(sheet.cooker, height)[here].T
    return float(np.ptp(x)), float(y.min()), float(y.max())


def proof_rows(altitude: float, drops: Sequence[float], misread: float) -> list[list[float]]:
    """Drop, run and sloping length of a beam at an altitude, and what misreadings mean.

    Parameters
    ----------
    altitude : float
        [rad]
    drops : sequence of float
        Heights of the beam over the point where its run begins. [m]
    misread : float
        Error of a length. [m]

    Returns
    -------
    list of [float, float, float, float, float]
        Drop, run and slope [m]; angle that an error of the run, and one of the drop, means [rad].

    Notes
    -----
    tan α = drop / run, so dα = sin² α / drop · d(run) = sin α cos α / drop · d(drop).

    Examples
    --------
    >>> [round(x, 6) for x in proof_rows(np.pi / 4, [1.0], 2e-3)[0]]
    [1.0, 1.0, 1.414214, 0.001, 0.001]
    """
    s, c = math.sin(altitude), math.cos(altitude)
    return [[h, h * c / s, h / s, misread * s * s / h, misread * s * c / h] for h in drops]


def slide_page(sheet: Sheet, rule: Rule, room: float) -> list[Any]:
    """Page on the laser slide.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    room : float
        Width there is. [pt]

    Returns
    -------
    list of Flowable
    """
    from reportlab.platypus import Paragraph, Spacer

    style = styles()
    alpha = float(sheet.laser.altitude[0])

    def items(*lines: str) -> list[Any]:
        return [Paragraph(escape(line), style["item"]) for line in lines]

    level = " or ".join(f"{degrees(a)}°" for a in sheet.altitudes)
    plumb = " or ".join(f"{degrees(0.5 * np.pi - a)}°" for a in sheet.altitudes)
    return [
        Paragraph("The laser slide", style["head"]),
        *items(*_axes_words(sheet, rule)),
        Spacer(1, 2),
        _drawing(sheet, rule, alpha, room),
        Paragraph("Prove the angle", style["head"]),
        _boxed(CAUTION, style["body"], room),
        Spacer(1, 3),
        *items(
            "1. By plumb line and tape, the best of the three: hang a plumb line from a point of "
            "the beam. Mark where the beam meets the level floor or table, and where the bob "
            "points. The run between the marks belongs to the drop from the beam's point to the "
            "same level as below; the slope is along the beam, as a check.",
            f"2. By a protractor: {level} from the level, which is {plumb} from the plumb line"
            ". On the laser's tube it reads the tube, not the beam: roll the tube half round in "
            "its clamp, and if the spot moves, the beam isn't along it. A protractor read to 0.5° "
            "is no proof to 0.1°.",
            "3. By the shadow of a stick: an upright stick as high as the drop throws a shadow as "
            "long as the run when the sun stands where facets are set for. Then the beam and the "
            "edge of the stick's shadow slope alike.",
        ),
        Spacer(1, 2),
        _proof_table(sheet, rule),
        Spacer(1, 4),
        *items(*_written_words(sheet, rule)),
        Spacer(1, 2),
        _blanks(sheet, rule),
        Spacer(1, 3),
        *items(*([] if sheet.angle is None else angle_sentences(sheet.angle))),
    ]


def _axes_words(sheet: Sheet, rule: Rule) -> list[str]:
    height, unit = HEIGHT[rule.unit], rule.unit
    words = [
        "The laser keeps its direction and is only moved along, so that all facets see one sun. "
        "Axis 1 runs level from the platform's left to its right, axis 2 level toward the sun, "
        "square to it. Prove the angle at all four corners of the travel: a slide that sags or "
        "twists turns the beam."
    ]
    if sheet.laser.stand is not None:
        words.insert(
            0,
            "This scenario's laser swivels on one stand, and its marks are for that. A slide, as "
            'here, is for errors.rig.kind = "parallel", which has other marks.',
        )
    for altitude in sheet.altitudes:
        across, near, far = slide_reach(sheet, float(altitude), height)
        words.append(
            f"For {degrees(altitude)}°, with the laser's opening {rule.coarse_text(height)} {unit} "
            f"above the platform's top: axis 1 travels {rule.coarse_text(across)} {unit}, middle "
            f"to middle of the outermost facets; axis 2 goes from {rule.coarse_text(near)} to "
            f"{rule.coarse_text(far)} {unit} from the platform's middle toward the sun, which is "
            f"{rule.coarse_text(far - near)} {unit}. An upright axis 2 instead travels "
            f"{rule.coarse_text((far - near) * math.tan(altitude))} {unit}."
        )
    return words


def _proof_table(sheet: Sheet, rule: Rule) -> Any:
    unit = rule.unit
    misread, named = MISREAD[unit]
    rows: list[list[Any]] = [
        [
            *("laser, sun", f"drop, stick\n{unit}", f"run, shadow\n{unit}", f"slope\n{unit}"),
            *(f"{named} of the run\nis", f"{named} of the drop\nis"),
        ]
    ]
    for altitude in sheet.altitudes:
        for drop, run, slope, of_run, of_drop in proof_rows(float(altitude), DROPS[unit], misread):
            rows.append(
                [
                    f"{degrees(altitude)}°",
                    *(rule.coarse_text(x) for x in (drop, run, slope)),
                    *(f"{math.degrees(x):.2f}°" for x in (of_run, of_drop)),
                ]
            )
    return grid(rows)


def _written_words(sheet: Sheet, rule: Rule) -> list[str]:
    """What to do with the measured lengths."""
    drop = DROPS[rule.unit][1]
    alpha = float(sheet.laser.altitude[0])
    run = proof_rows(alpha, [drop], MISREAD[rule.unit][0])[0][1]
    lengths = f"drop {rule.coarse_text(drop)} {rule.unit}, run {rule.coarse_text(run)} {rule.unit}"
    held = ", at and the facet that the beam was held on" if sheet.laser.stand is not None else ""
    return [
        "Write down what you measure, each proof with another drop. Aside is how far the bob's "
        "mark lies to the platform's right of a line along the arrow through the beam's mark: 0, "
        "or − to its left. What the angle means for the cooker says: cooker sheet "
        f'{sheet.scenario.source} --laser "{lengths}"; for each proof once more --laser, and in '
        f"it, if measured, aside and slope{held}."
    ]


def _blanks(sheet: Sheet, rule: Rule) -> Any:
    """Rows to write proofs in."""
    from reportlab.lib.colors import Color

    names = ["facet"] * (sheet.laser.stand is not None) + ["drop", "run", "aside", "slope"]
    heads = [["proof", *(n if n == "facet" else f"{n}, {rule.unit}" for n in names)]]
    return grid(
        [*heads, *([str(k), *("" for _ in names)] for k in range(1, PROOFS + 1))],
        colWidths=[32.0, *[76.0] * len(names)],
        rowHeights=[None, *[WRITING] * PROOFS],
        style=[("GRID", (0, 1), (-1, -1), 0.4, Color(*GREY))],
    )


def _boxed(text: str, style: Any, room: float) -> Any:
    from reportlab.lib.colors import Color
    from reportlab.platypus import Paragraph, Table

    return Table(
        [[Paragraph(f"<b>Caution.</b> {escape(text)}", style)]],
        colWidths=[room],
        style=[("BOX", (0, 0), (-1, -1), 1.2, Color(0.75, 0.25, 0.0))],
    )


class _Sketch:
    """Lines, arrows and words on a drawing, in points."""

    def __init__(self, width: float, height: float) -> None:
        from reportlab.graphics.shapes import Drawing

        self.drawing = Drawing(width, height)

    def line(self, *ends: float, dashed: bool = False, width: float = 0.7) -> None:
        from reportlab.graphics.shapes import Line
        from reportlab.lib.colors import Color

        line = Line(*ends, strokeColor=Color(*(GREY if dashed else INK)), strokeWidth=width)
        if dashed:
            line.strokeDashArray = [2, 2]
        self.drawing.add(line)

    def arrow(self, x0: float, y0: float, x1: float, y1: float, *, both: bool = False) -> None:
        from reportlab.graphics.shapes import Polygon
        from reportlab.lib.colors import Color

        self.line(x0, y0, x1, y1, width=0.5)
        along = np.array([x1 - x0, y1 - y0]) / math.hypot(x1 - x0, y1 - y0)
        side = np.array([-along[1], along[0]])
        for tip, way in (((x1, y1), 1.0), ((x0, y0), -1.0))[: 2 if both else 1]:
            end = np.array(tip)
            a, b = end - 5.0 * way * along + 1.6 * side, end - 5.0 * way * along - 1.6 * side
            self.drawing.add(Polygon([*end, *a, *b], fillColor=Color(*INK), strokeColor=None))

    def words(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        from reportlab.graphics.shapes import String
        from reportlab.lib.colors import Color

        self.drawing.add(
            String(
                x, y, text, fontName=PLAIN, fontSize=LETTERS, textAnchor=anchor,
                fillColor=Color(*INK),
            )
        )  # fmt: skip


def _drawing(sheet: Sheet, rule: Rule, alpha: float, room: float) -> Any:
    """From the platform's right side, and from above; angle and lengths are true to scale."""
    height, unit = HEIGHT[rule.unit], rule.unit
    x0, x1, y0, y1 = (float(v) for v in sheet.cooker.extent)
    across, near, far = slide_reach(sheet, alpha, height)
    low, high = min(y0, near), max(y1, far)
    sketch = _Sketch(room, 210.0)
    scale = min(0.56 * room / (high - low), 125.0 / height)

    # from the side: sun to the right
    floor, left = 34.0, 6.0

    def at(y: float) -> float:
        return left + scale * (y - low)

    top = floor + scale * height
    sketch.words(0.0, 200.0, "From the platform's right side")
    sketch.line(at(low), floor, at(high) + 12.0, floor, dashed=True)
    sketch.line(at(y0), floor, at(y1), floor, width=2.0)
    sketch.line(at(near), top, at(far), top, width=1.4)
    sketch.arrow(at(near), top + 8.0, at(far), top + 8.0, both=True)
    sketch.words(0.5 * (at(near) + at(far)), top + 12.0,
                 f"axis 2, {rule.coarse_text(far - near)} {unit}", "middle")  # fmt: skip
    reach = height / math.tan(alpha)
    for y in (near, far):
        sketch.arrow(at(y), top, at(y - reach), floor)
    sketch.line(at(far), top, at(far), floor, dashed=True)
    sketch.words(at(far) + 3.0, 0.5 * (floor + top), "plumb line")
    sketch.words(at(far) + 3.0, 0.5 * (floor + top) - 9.0,
                 f"drop {rule.coarse_text(height)} {unit}")  # fmt: skip
    sketch.arrow(at(far - reach), floor - 9.0, at(far), floor - 9.0, both=True)
    sketch.words(at(far - 0.5 * reach), floor - 18.0,
                 f"run {rule.coarse_text(reach)} {unit}", "middle")  # fmt: skip
    sketch.words(at(far - reach) + 26.0, floor + 4.0, f"{degrees(alpha)}°")
    sketch.words(at(low), floor - 30.0, "board; heights from its top; sun's side to the right")

    # from above: sun up
    size = min(0.26 * room / (x1 - x0), 165.0 / (high - low))
    middle = 0.85 * room

    def up(y: float) -> float:
        return 12.0 + size * (y - low)

    half = 0.5 * size * (x1 - x0)
    sketch.words(middle, 200.0, "From above, the sun's side up", "middle")
    for a, b, c, d in ((-half, y0, half, y0), (half, y0, half, y1), (half, y1, -half, y1),
                       (-half, y1, -half, y0)):  # fmt: skip
        sketch.line(middle + a, up(b), middle + c, up(d))
    sketch.words(middle, up(0.5 * (y0 + max(min(y1, near), y0 + 0.1))), "board", "middle")
    side = 0.5 * size * across
    for y in (near, far):
        sketch.line(middle - side, up(y), middle + side, up(y), dashed=True)
    for x in (-side, side):
        sketch.line(middle + x, up(near), middle + x, up(far), dashed=True)
    centre = up(0.5 * (near + far))
    sketch.arrow(middle - side, centre, middle + side, centre, both=True)
    sketch.words(middle, centre + 4.0, f"axis 1, {rule.coarse_text(across)} {unit}", "middle")
    sketch.words(middle, centre - 9.0, "travel of the laser", "middle")
    return sketch.drawing
