"""Photographs of the card, drawn with known truth: rays from a pinhole behind a lens to the paper.

Nothing here is the finder's: rays are cut with the (bent, glued) paper in space, the lens is
Brown's polynomial, light adds up on a linear sensor, then blur, noise, a curve and JPEG.
"""

from __future__ import annotations

import functools
import io
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image, ImageDraw

from raytrace.camera.card import CardLayout, as_printed, card_layout
from raytrace.camera.marker_bits import marker_modules
from raytrace.camera.pictures import open_picture

LASERS = {"red": (1.0, 0.08, 0.05), "green": (0.15, 1.0, 0.12), "violet": (0.35, 0.06, 1.0)}
DOTS = 5.0  # of the drawn card [1/mm]


@dataclass(frozen=True)
class Blob:
    """Light about a place: an oval, its size one standard deviation. [m]"""

    place: tuple[float, float]
    size: tuple[float, float] = (1.0e-3, 1.0e-3)
    turn: float = 0.0
    power: float = 1.0  # brightness in the middle, white paper in the scene's light being 1
    skew: float = 0.0  # of the light along the first axis: a tail to its right


@dataclass(frozen=True)
class Scene:
    layout: CardLayout
    blobs: tuple[Blob, ...] = (Blob((0.02, -0.03)),)
    laser: str = "red"
    width: int = 2000
    height: int = 1500
    focal: float = 0.75  # in widths
    distance: float = 0.5  # [m]
    slant: float = 20.0  # [°]
    side: float = 40.0  # from which it is seen aslant [°]
    roll: float = 10.0  # [°]
    aim: tuple[float, float] = (0.0, 0.0)  # place on the card in the picture's middle [m]
    lens: tuple[float, float] = (0.0, 0.0)  # k1, k2 over squared tangents
    bow: float = 0.0  # height of the card's middle over its rim [m]
    glue: tuple[tuple[float, float], ...] = ((0.0, 0.0),) * 4  # of four sheets [m]
    exposure: float = 0.6  # of white paper, the sensor's most being 1
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gradient: float = 0.0
    shadow: tuple[float, float, float, float] | None = None  # direction [°], offset, depth, edge
    glare: tuple[float, float, float, float] | None = None  # place, size, strength
    blur: float = 0.6  # [pixels]
    motion: tuple[float, float] = (0.0, 0.0)  # [pixels]
    noise: float = 0.004
    curve: float = 0.0  # bend of the camera's own curve
    sharpened: float = 0.0  # by the camera: share of what is finer than a pixel or two
    quality: int = 90
    covered: tuple[tuple[float, float, float], ...] = ()  # discs of skin: place, radius [m]
    mirrored: bool = False
    others: tuple[tuple[float, float, CardLayout], ...] = ()  # more cards beside it
    tags: tuple[tuple[int, float, float], ...] = ()  # number and place [m]
    seed: int = 0
    samples: int = 1  # across a pixel

    def truth(self):
        """Centre of the first blob's light. [m]"""
        blob = self.blobs[0]
        along = np.array([np.cos(blob.turn), np.sin(blob.turn)])
        return np.array(blob.place) + blob.skew * blob.size[0] * along


@functools.lru_cache(maxsize=4)
def drawn(half_mm: int, clear_mm: float, numbers: tuple[int, ...], where: tuple) -> np.ndarray:
    """The printed card as reflectances, the print's left on the left, its sun's side on top."""
    fine = 2
    n = round(2.0 * half_mm * DOTS)
    image = Image.new("RGB", (n * fine, n * fine), (238, 238, 236))
    pen = ImageDraw.Draw(image)
    s = DOTS * fine

    def at(x, y):
        return (half_mm + x) * s, (half_mm - y) * s

    def circle(r, ink, wide, x=0.0, y=0.0):
        (a, b), (c, d) = at(x - r, y + r), at(x + r, y - r)
        pen.ellipse((a, b, c, d), outline=ink, width=max(1, round(wide * s)))

    for r in np.arange(10.0, clear_mm, 10.0):
        circle(r, (190, 190, 190), 0.12)
    for k in range(1, int(clear_mm / 25.4) + 1):
        circle(25.4 * k, (120, 150, 220), 0.12)
    pen.line([at(-half_mm, 0), at(half_mm, 0)], fill=(120, 120, 120), width=round(0.2 * s))
    pen.line([at(0, -half_mm), at(0, half_mm)], fill=(120, 120, 120), width=round(0.2 * s))
    circle(clear_mm - 0.5, (20, 20, 20), 0.5)
    circle(0.3 * clear_mm, (200, 40, 40), 0.6)
    circle(0.5 * clear_mm, (10, 125, 60), 0.6)
    circle(0.7 * clear_mm, (95, 55, 160), 0.6)
    for x, y in ((0, 0), (25, 12), (-30, 20)):
        pen.line([at(x - 2, y), at(x + 2, y)], fill=(20, 20, 20), width=round(0.25 * s))
        pen.line([at(x, y - 2), at(x, y + 2)], fill=(20, 20, 20), width=round(0.25 * s))
    for k, text in enumerate(("large", "mark 2", "rim of the base", "20", "40")):
        x, y = at(12.0 * k - 40.0, 9.0 * k - 30.0)
        pen.text((x, y), text, fill=(200, 40, 40) if k == 0 else (20, 20, 20), font_size=3.0 * s)
    for number, (x, y) in zip(numbers, where, strict=True):
        _marker(pen, number, at, x, y)
    return np.asarray(image.resize((n, n), Image.Resampling.BOX), dtype=np.float32) / 255.0


def _marker(pen, number, at, x, y, side=20.0):
    module = side / 8.0
    for i, j in np.argwhere(marker_modules(number)):
        a = at(x - 0.5 * side + j * module, y + 0.5 * side - i * module)
        b = at(x - 0.5 * side + (j + 1) * module, y + 0.5 * side - (i + 1) * module)
        pen.rectangle(
            (round(a[0]), round(a[1]), round(b[0]) - 1, round(b[1]) - 1), fill=(22, 22, 24)
        )


def _card_image(layout):
    middle = 1e3 * as_printed(layout.corners.mean(axis=1))
    where = tuple((float(x), float(y)) for x, y in middle)
    return drawn(
        round(1e3 * layout.half), 1e3 * layout.clear, tuple(map(int, layout.number)), where
    )


def _sampled(image, x, y):
    """Bilinear samples of a drawing at fractions of its dots."""
    n = len(image)
    x, y = np.clip(x, 0.0, n - 1.001), np.clip(y, 0.0, n - 1.001)
    j, i = x.astype(np.int32), y.astype(np.int32)
    fx, fy = (x - j)[..., None], (y - i)[..., None]
    flat, k = image.reshape(-1, 3), i * n + j
    top = flat[k] * (1.0 - fx) + flat[k + 1] * fx
    return top * (1.0 - fy) + (flat[k + n] * (1.0 - fx) + flat[k + n + 1] * fx) * fy


def camera(scene):
    """Camera's place [m] and its axes: right, down, forward; print's x, y, z towards who looks."""
    t, p, r = np.radians([scene.slant, scene.side, scene.roll])
    back = np.array([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), np.cos(t)])
    target = np.array([*as_printed(np.array(scene.aim)), 0.0])
    up = np.array([0.0, 1.0, 0.0]) - back[1] * back
    up /= np.linalg.norm(up)
    right = np.cross(up, back)
    turned = np.cos(r) * right + np.sin(r) * up
    down = -(np.cos(r) * up - np.sin(r) * right)
    return target + scene.distance * back, turned, down, -back


def paper_of(scene, columns, rows):
    """Where rays through pixels meet the plane of the card: print's x and y [m], and the ray."""
    eye, right, down, forward = camera(scene)
    f = scene.focal * scene.width
    u = (columns - 0.5 * (scene.width - 1)) / f
    v = (rows - 0.5 * (scene.height - 1)) / f
    a, b = u, v
    k1, k2 = scene.lens
    if k1 or k2:
        for _ in range(6):
            q = a * a + b * b
            bend = 1.0 + q * (k1 + q * k2)
            a, b = u / bend, v / bend
    ray = [right[i] * a + down[i] * b + forward[i] for i in range(3)]
    away = -eye[2] / np.minimum(ray[2], -1e-3)
    x, y = eye[0] + away * ray[0], eye[1] + away * ray[1]
    if scene.bow:
        h = scene.layout.half
        z = scene.bow * (1.0 - 0.5 * np.clip((x * x + y * y) / h**2, 0.0, 2.0))
        x, y = x + z * ray[0] / ray[2], y + z * ray[1] / ray[2]
    return x, y


def seen(scene, place):
    """Column and row of a place on the card, by the forward way: for checks of the finder."""
    eye, right, down, forward = camera(scene)
    away = np.array([*as_printed(np.asarray(place, float)), 0.0]) - eye
    a, b = away @ right / (away @ forward), away @ down / (away @ forward)
    q = a * a + b * b
    bend = 1.0 + q * (scene.lens[0] + q * scene.lens[1])
    f = scene.focal * scene.width
    return np.array(
        [f * a * bend + 0.5 * (scene.width - 1), f * b * bend + 0.5 * (scene.height - 1)]
    )


def _light_of(scene, x, y):
    """The laser's light at places, print's axes."""
    out = np.zeros(x.shape, dtype=np.float32)
    for blob in scene.blobs:
        dx, dy = -x - blob.place[0], y - blob.place[1]
        c, s = np.cos(blob.turn), np.sin(blob.turn)
        p, q = (c * dx + s * dy) / blob.size[0], (c * dy - s * dx) / blob.size[1]
        near = (np.abs(p) < 6.0 + 4.0 * abs(blob.skew)) & (np.abs(q) < 6.0)
        p, q = p[near], q[near]
        shape = np.exp(-0.5 * (p * p + q * q))
        if blob.skew:  # as of an edge's first moment: mean shifts by `skew` standard deviations
            shape *= np.maximum(1.0 + blob.skew * p, 0.0)
        out[near] += blob.power * shape
    return out


def _paper(scene, columns, rows):
    """Light that comes from each pixel's place, before the lens's blur."""
    x, y = paper_of(scene, columns, rows)
    h = scene.layout.half
    rng = np.random.default_rng(scene.seed)
    # what lies behind the card: dark and light stripes of some colour
    tone = 0.18 + 0.12 * np.sin(90.0 * x + 4.0 * np.sin(31.0 * y)) * np.cos(55.0 * y)
    out = tone[..., None] * rng.uniform(0.4, 1.2, 3).astype(np.float32)
    for cx, cy, layout in ((0.0, 0.0, scene.layout), *scene.others):
        px, py = x - cx, y - cy
        on = (np.abs(px) < layout.half) & (np.abs(py) < layout.half)
        qx, qy = px[on], py[on]
        for k, (gx, gy) in enumerate(scene.glue):
            mine = ((qx > 0) == (k % 2 == 1)) & ((qy > 0) == (k // 2 == 1))
            qx, qy = np.where(mine, qx - gx, qx), np.where(mine, qy - gy, qy)
        dots = 1e3 * DOTS
        out[on] = _sampled(_card_image(layout), (layout.half + qx) * dots - 0.5,
                           (layout.half - qy) * dots - 0.5)  # fmt: skip
    for number, tx, ty in scene.tags:
        dx, dy = (x - tx) / 0.02, (y - ty) / 0.02
        white = (np.abs(dx) < 0.75) & (np.abs(dy) < 0.75)
        out[white] = 0.9
        on = (np.abs(dx) < 0.5) & (np.abs(dy) < 0.5)
        j, i = ((dx[on] + 0.5) * 8).astype(int), ((0.5 - dy[on]) * 8).astype(int)
        out[on] = np.where(marker_modules(number)[np.clip(i, 0, 7), np.clip(j, 0, 7)], 0.08, 0.9)[
            :, None
        ]
    light = np.ones(x.shape, dtype=np.float32)
    light *= 1.0 + scene.gradient * (x * np.cos(scene.seed) + y * np.sin(scene.seed)) / h
    tint = np.array(scene.tint, dtype=np.float32)
    lit = np.maximum(light, 0.1)[..., None] * tint
    if scene.shadow:
        angle, offset, depth, edge = scene.shadow
        across = x * np.cos(np.radians(angle)) + y * np.sin(np.radians(angle)) - offset
        dark = 0.5 * (1.0 + np.tanh(across / edge))[..., None]
        sky = np.array([0.85, 1.0, 1.25], dtype=np.float32)
        sun = np.array([1.06, 1.0, 0.88], dtype=np.float32)
        lit = lit * (depth * sky + (1.0 - depth) * (1.0 - dark) * sun)
    beam = _light_of(scene, x, y)[..., None] * np.array(LASERS[scene.laser], dtype=np.float32)
    for sx, sy, radius in scene.covered:
        skin = np.hypot(-x - sx, y - sy) < radius
        out[skin] = (0.62, 0.36, 0.26)
    out = scene.exposure * out * (lit + beam)
    if scene.glare:
        gx, gy, size, strength = scene.glare
        out += (strength * np.exp(-0.5 * (((x - gx) / size) ** 2 + ((y - gy) / size) ** 2)))[
            ..., None
        ]
    return out


def _smoothed(light, sigma):
    """Gaussian blur of an image in floating point, by rows and columns."""
    from scipy.ndimage import gaussian_filter

    return gaussian_filter(light, (sigma, sigma, 0.0), truncate=3.0) if sigma > 0.05 else light


def render(scene, name="rendered.jpg"):
    """The photograph as JPEG bytes."""
    columns = np.arange(scene.width, dtype=np.float32)[None, :]
    rows = np.arange(scene.height, dtype=np.float32)[:, None]
    light = np.zeros((scene.height, scene.width, 3), dtype=np.float32)
    n = scene.samples
    for i in range(n):
        for j in range(n):
            dx, dy = (i + 0.5) / n - 0.5, (j + 0.5) / n - 0.5
            light += _paper(scene, *np.broadcast_arrays(columns + dx, rows + dy)).astype(np.float32)
    light = _smoothed(light / n**2, scene.blur)
    length = np.hypot(*scene.motion)
    if length > 0.5:
        steps = int(np.ceil(length)) + 1
        moved = np.zeros_like(light)
        for t in np.linspace(-0.5, 0.5, steps):
            shift = [round(t * scene.motion[1]), round(t * scene.motion[0])]
            moved += np.roll(light, shift, axis=(0, 1))
        light = moved / steps
    rng = np.random.default_rng([scene.seed, 1])
    shot = rng.standard_normal(light.shape, dtype=np.float32)
    light = light + scene.noise * np.sqrt(0.1 + np.maximum(light, 0.0)) * shot
    light = np.clip(light, 0.0, 1.0)
    shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    if scene.curve:
        shown = shown + scene.curve * shown * (1.0 - shown) * (2.0 * shown - 0.6)
    if scene.sharpened:
        shown = shown + scene.sharpened * (shown - _smoothed(shown, 1.2))
    image = Image.fromarray((np.clip(shown, 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8))
    if scene.mirrored:
        image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    file = io.BytesIO()
    image.save(file, "JPEG", quality=scene.quality)
    return file.getvalue()


def photograph(scene, name="rendered.jpg"):
    return open_picture(name, render(scene))


def random_scene(rng, *, width=2000, reach=0.13, samples=1, near=1.0):
    """A scene as somebody at a bench might take it; its spot anywhere in the clear circle."""
    layout = card_layout(reach)
    fine = width / 2000.0
    slant = float(rng.uniform(0.0, 50.0))
    distance = near * float(rng.uniform(0.4, 0.75))
    laser = str(rng.choice(list(LASERS), p=[0.5, 0.4, 0.1]))
    r, a = 0.92 * layout.clear * np.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * np.pi)
    size = float(rng.uniform(0.6e-3, 2.5e-3))
    kind = rng.choice(["plain", "bright", "smeared"], p=[0.5, 0.25, 0.25])
    long = size * (
        float(rng.uniform(2.0, 6.0)) if kind == "smeared" else float(rng.uniform(1, 1.6))
    )
    power = float(rng.uniform(3.0, 12.0)) if kind == "bright" else float(rng.uniform(0.4, 2.0))
    skew = float(rng.uniform(-0.3, 0.3)) if kind == "smeared" else 0.0
    r = max(0.0, min(r, layout.clear - 2.5 * long))
    blob = Blob((float(r * np.cos(a)), float(r * np.sin(a))), (long, size),
                float(rng.uniform(0.0, np.pi)), power, skew)  # fmt: skip
    return Scene(
        layout, (blob,), laser, width, width * 3 // 4,
        focal=float(rng.uniform(0.68, 0.9)),
        distance=distance,
        slant=slant,
        side=float(rng.uniform(0.0, 360.0)),
        roll=float(rng.uniform(-180.0, 180.0)),
        aim=tuple(map(float, rng.normal(0.0, 0.01, 2))),
        lens=(float(rng.normal(0.0, 0.02)), float(rng.normal(0.0, 0.01))),
        bow=float(rng.normal(0.0, 0.4e-3)),
        glue=tuple(tuple(map(float, g)) for g in rng.normal(0.0, 0.2e-3, (4, 2))),
        exposure=float(rng.uniform(0.35, 0.75)),
        tint=tuple(map(float, rng.uniform(0.85, 1.0, 3))),
        gradient=float(rng.uniform(0.0, 0.3)),
        shadow=(float(rng.uniform(0, 360)), float(rng.uniform(-0.1, 0.1)),
                float(rng.uniform(0.25, 0.8)), float(rng.choice([1e-3, 5e-3, 20e-3])))
        if rng.uniform() < 0.4 else None,
        glare=(*map(float, rng.uniform(-0.12, 0.12, 2)), float(rng.uniform(0.01, 0.03)),
               float(rng.uniform(0.1, 0.6))) if rng.uniform() < 0.25 else None,
        blur=float(rng.uniform(0.5, 1.3)) * max(fine, 0.7),
        motion=tuple(map(float, rng.normal(0.0, 1.0, 2) * fine * rng.integers(2))),
        noise=float(rng.uniform(0.002, 0.02)),
        curve=float(rng.uniform(0.0, 0.25)),
        sharpened=float(rng.uniform(0.0, 0.8)),
        quality=int(rng.integers(70, 96)),
        seed=int(rng.integers(2**31)),
        samples=samples,
    )  # fmt: skip


__all__ = ["Blob", "Scene", "photograph", "random_scene", "render", "replace", "seen"]
