"""Flux map of the base as SVG text: drawn in milliseconds, with its scale, rim and spot."""

from __future__ import annotations

import base64
import io
from functools import lru_cache
from html import escape

import numpy as np
from numpy.typing import NDArray

from raytrace.optics.tally import Tally
from raytrace.reports.common.numbers import plain
from raytrace.reports.common.style import GREY, INK, MAP, colour_range
from raytrace.reports.common.units import quantity

__all__ = ["map_svg"]

SIDE, BAR, ROOM = 300, 14, 64  # of the map, its scale and the scale's figures
HEAD, FOOT = 22, 40
COLOURS = 256


def map_svg(tally: Tally) -> str:
    """Draw the base from above, the sun's side up.

    Parameters
    ----------
    tally : Tally

    Returns
    -------
    str
        An element of HTML, with a label for those who don't see it.
    """
    flux = np.nan_to_num(tally.flux.value) / 1e3
    low, high = colour_range(flux[tally.whole])
    pixels = _colours()[
        np.clip((flux - low) / (high - low) * COLOURS, 0, COLOURS - 1).astype(np.uint8)
    ]
    middle = SIDE / 2.0
    unit = middle / tally.base_radius  # of the drawing in a metre
    x, y = (float(v) * unit for v in tally.centroid.value)
    lit = bool(np.isfinite([x, y]).all())
    r = float(tally.spot_radius) * unit if lit else 0.0
    ends = [plain(v, 3) for v in (high, low)]
    peak = plain(float(tally.peak_flux) / 1e3, 3)
    across = quantity("length", 2.0 * tally.base_radius, 0)
    said = (
        f"Flux on the base, {across} across, from above with the sun's side up: peak {peak} kW/m²"
        if lit
        else "Flux on the base: nothing arrives"
    )
    spot = (
        f'<g fill="none" stroke="{INK}" stroke-width="3">{_spot(x, y, r)}</g>'
        f'<g fill="none" stroke="white" stroke-width="1.3">{_spot(x, y, r)}</g>'
        if lit
        else ""
    )
    right, width, height = SIDE + 24, SIDE + 24 + BAR + ROOM, HEAD + SIDE + FOOT
    return (
        f'<svg role="img" aria-label="{escape(said)}" viewBox="0 0 {width} {height}" '
        f'style="width:100%;max-width:{width}px;display:block" font-size="13" fill="{INK}">'
        f'<defs><clipPath id="rim"><circle cx="{middle}" cy="{middle}" r="{middle}"/></clipPath>'
        "</defs>"
        f'<text x="{middle}" y="15" text-anchor="middle">toward the sun</text>'
        f'<g transform="translate(0 {HEAD})">'
        f'<image width="{SIDE}" height="{SIDE}" preserveAspectRatio="none" '
        f'clip-path="url(#rim)" href="{_picture(pixels[::-1])}" '
        'style="image-rendering:pixelated"/>'
        f'<circle cx="{middle}" cy="{middle}" r="{middle - 0.8}" fill="none" stroke="{INK}" '
        'stroke-width="1.6"/>'
        f'<g transform="translate({middle} {middle}) scale(1 -1)">{spot}</g>'
        f'<image x="{right}" width="{BAR}" height="{SIDE}" preserveAspectRatio="none" '
        f'href="{_picture(_colours()[::-1, None])}"/>'
        f'<text x="{right + BAR + 5}" y="11">{ends[0]}</text>'
        f'<text x="{right + BAR + 5}" y="{SIDE / 2 + 4}">kW/m²</text>'
        f'<text x="{right + BAR + 5}" y="{SIDE - 2}">{ends[1]}</text></g>'
        f'<text x="{middle}" y="{HEAD + SIDE + 16}" text-anchor="middle" fill="{GREY}">'
        f"base from above, {across} across</text>"
        f'<text x="{middle}" y="{HEAD + SIDE + 33}" text-anchor="middle" fill="{GREY}">'
        "cross: middle of the watts; circle: 90 % of them</text></svg>"
    )


def _spot(x: float, y: float, r: float) -> str:
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}"/>'
        f'<path d="M{x - 6:.1f} {y:.1f}h12M{x:.1f} {y - 6:.1f}v12"/>'
    )


@lru_cache
def _colours() -> NDArray[np.uint8]:
    from matplotlib import colormaps

    scale = colormaps[MAP](np.linspace(0.0, 1.0, COLOURS))[:, :3]
    return np.asarray(np.round(255.0 * scale), dtype=np.uint8)


def _picture(pixels: NDArray[np.uint8]) -> str:
    """Pixels from above as the address of an image."""
    from PIL import Image

    held = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(held, "png", compress_level=1)
    return f"data:image/png;base64,{base64.b64encode(held.getvalue()).decode()}"
