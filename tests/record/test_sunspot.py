"""Pictures of the sun's spot whose truth is known: where it lies, whatever the camera's curve."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA
from pictures import flaws
from PIL import Image
from scipy import stats
from scipy.ndimage import gaussian_filter
from typer.testing import CliRunner

from raytrace import load_scenario, read_result
from raytrace.camera import sunlit
from raytrace.camera.card import MARKER, as_printed, card_layout
from raytrace.camera.marker_bits import MODULES, marker_modules
from raytrace.camera.sunlit import sunlit_card
from raytrace.cli import app
from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import PictureError, SettingsError
from raytrace.reports.record.sunspot import sunspot_sentences
from raytrace.reports.record.sunspot_figures import sunspot_figure
from raytrace.studies.record.map_fit import Laid
from raytrace.studies.record.plate import Plate, plate_size, sun_then
from raytrace.studies.record.sunspot import SunSpotPlan, facets_named, sunspot

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"
WIDTH, PIXELS = 0.32, 512
FEW = SunSpotPlan(builds=5, beams=2)
PAPER, INK = 0.85, 0.06


@pytest.fixture(scope="module", autouse=True)
def coarse():
    """Cells of 7 mm: what is asked here hangs on finer ones as little."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sunlit, "CELLS", 48)
        yield


@pytest.fixture(scope="module")
def courtyard():
    return load_scenario(COURTYARD)


@pytest.fixture(scope="module")
def plate(courtyard):
    R, _ = plate_size(courtyard, 0.5 * WIDTH, 0.01)
    return Plate(courtyard, sun_then(courtyard, ""), R, 96, 6, 4, 1)


@pytest.fixture(scope="module")
def mean(plate):
    """What is predicted, without the posts' shadows having moved."""
    return plate.mean()


def as_kept(light):
    """The curve of IEC 61966-2-1, by which files keep light."""
    light = np.clip(light, 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def rings(x, y):
    """Print: three rings and a cross, as on the card."""
    r = np.hypot(x, y)
    lines = np.any([np.abs(r - at) < 6e-4 for at in (0.042, 0.052, 0.12)], axis=0)
    return lines | (np.abs(x) < 4e-4) | (np.abs(y) < 4e-4)


def picture(
    flux, place=(0.0, 0.0), *, size=1.0, power=1.0, exposed=0.8, day=0.06, uneven=0.0, seed=0,
    lit=True,
):  # fmt: skip
    """A card seen straight on, the spot moved and enlarged, as a JPEG file gives it back."""
    at = (np.arange(PIXELS) + 0.5) * WIDTH / PIXELS - 0.5 * WIDTH
    x, y = np.meshgrid(at, -at)
    spot = flux.at(((x - place[0]) / size).ravel(), ((y - place[1]) / size).ravel())
    spot = np.maximum(spot.reshape(x.shape), 0.0) / flux.flux.max() * lit
    paper = np.where(rings(x, y), INK, PAPER)
    light = gaussian_filter(paper * (day * (1.0 + uneven * x / at[-1]) + exposed * spot), 1.0)
    grey = as_kept(np.clip(light, 0.0, 1.0) ** power)
    grey = grey + 0.01 * np.random.default_rng(seed).standard_normal(light.shape)
    pixels = (np.clip(grey, 0.0, 1.0) * 255).round().astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).convert("RGB").save(file, "JPEG", quality=85)
    return np.asarray(Image.open(file))


def seen(scenario, pixels, plan=FEW, **more):
    return sunspot(scenario, sunlit_card("spot.jpg", pixels, WIDTH, **more), plan)


@pytest.fixture(scope="module")
def still(courtyard, mean):
    """The prediction itself, as seen."""
    return seen(courtyard, picture(mean))


@pytest.mark.parametrize(
    "camera",
    [
        {"power": 1.35},
        {"power": 0.7, "day": 0.2, "exposed": 1.6},  # the core is cut off
    ],
)
def test_a_moved_spot_is_found_whatever_the_cameras_curve(courtyard, mean, still, camera):
    """The same prediction moved is found to 0.5 mm, and no builds' luck counts."""
    place = np.array([14e-3, -6e-3])
    found = seen(courtyard, picture(mean, place, **camera))
    moved = [found.right.value - still.right.value, found.ahead.value - still.ahead.value]
    np.testing.assert_allclose(moved, 1e3 * place, atol=0.5)
    assert found.overlap < 0.9 < 0.95 < found.overlap_moved
    assert found.clipped.any() == (camera.get("exposed", 0.0) > 1.0)


def test_ranks_undo_any_rising_curve_bit_by_bit(courtyard, mean):
    """Without noise, place and overlap are the same numbers for light and for its logarithm."""
    card = sunlit_card("a.jpg", picture(mean, (5e-3, 8e-3)), WIDTH)
    curved = replace(card, light=np.log1p(20.0 * card.light))
    one, other = (sunspot(courtyard, c, FEW) for c in (card, curved))
    assert (one.right, one.ahead) == (other.right, other.ahead)
    assert (one.overlap, one.overlap_moved) == (other.overlap, other.overlap_moved)
    np.testing.assert_array_equal(one.seen, other.seen)


def test_a_larger_spot_is_told(courtyard, mean):
    found = seen(courtyard, picture(mean, size=1.2))
    assert found.size.value == pytest.approx(0.2, abs=0.02)
    assert found.size.is_off(FEW.builds)
    assert "larger than predicted" in sunspot_sentences(found)[0]


def test_another_shape_than_predicted_is_told(courtyard, mean, still):
    """Light of all facets, said to be of three."""
    few = replace(FEW, facets=facets_named(courtyard, "A7-A9"))
    words = " ".join(sunspot_sentences(seen(courtyard, picture(mean), few)))
    assert "Its shape is another than predicted" in words
    assert "Its shape" not in " ".join(sunspot_sentences(still))


def test_intervals_cover_other_builds_and_other_curves(courtyard, plate):
    """Cookers that are not among those traced, their curve's exponent drawn as is supposed."""
    rng = np.random.default_rng(3)
    count, held, sized = 6, 0, 0
    for k in range(count):
        flux = Laid(plate.R, plate.one(100 + k))
        place = rng.uniform(-12e-3, 12e-3, 2)
        power = float(np.exp(0.2 * rng.standard_normal()))
        found = seen(courtyard, picture(flux, place, power=power, seed=k))
        facts = (found.right, found.ahead)
        held += sum(
            abs(f.value - 1e3 * p) <= f.half_width(FEW.builds)
            for f, p in zip(facts, place, strict=True)
        )
        sized += abs(found.size.value) <= found.size.half_width(FEW.builds)
    assert stats.binom.cdf(held, 2 * count, 0.95) > ALPHA
    assert stats.binom.cdf(sized, count, 0.95) > ALPHA


def test_a_second_picture_takes_uneven_daylight_out(courtyard, mean, still):
    bright = {"day": 0.3, "uneven": 0.9, "exposed": 0.4}
    pixels = picture(mean, **bright)
    dark = picture(mean, **bright | {"day": 0.45}, lit=False, seed=9)
    plain = seen(courtyard, pixels)
    helped = seen(courtyard, pixels, dark=dark, dark_name="dark.jpg")
    off = [abs(f.right.value - still.right.value) for f in (plain, helped)]
    assert off[1] < 0.15 * off[0]
    assert "--dark" in " ".join(sunspot_sentences(plain))
    assert "--dark" not in " ".join(sunspot_sentences(helped))


def test_what_can_not_be_compared_is_refused_with_its_name(courtyard, mean, plate):
    with pytest.raises(PictureError, match=r"spot\.jpg: \d+ % of the spot is brighter"):
        seen(courtyard, picture(mean, exposed=8.0))
    with pytest.raises(PictureError, match=r"spot\.jpg: too little"):
        seen(courtyard, np.full((PIXELS, PIXELS, 3), 255, np.uint8))
    inside_out = Laid(plate.R, mean.flux.max() - mean.flux)
    with pytest.raises(PictureError, match="no spot like the predicted one"):
        seen(courtyard, picture(inside_out))


def test_facets_are_named_one_by_one_and_by_spans(courtyard):
    assert facets_named(courtyard, "a1, C3") == ("A1", "C3")
    assert facets_named(courtyard, "A1-A3") == ("A1", "A2", "A3")
    assert facets_named(courtyard, "A2\N{EN DASH}B3") == ("A2", "A3", "B2", "B3")
    for wrong in ("", "Z9", "A1-Z9"):
        with pytest.raises(SettingsError):
            facets_named(courtyard, wrong)


def test_the_picture_beside_the_prediction_is_drawn_cleanly(still):
    clipped = still.seen > 0.9 * np.nanmax(still.seen)
    figure = sunspot_figure(replace(still, clipped=clipped))
    assert not flaws(figure)
    titles = [axes.get_title() for axes in figure.axes]
    assert {"seen", "predicted", "seen less predicted"} <= set(titles)


def printed_card(scenario, flux, name, place):
    """A photograph, seen straight on from below, of the card that the sheet prints."""
    cooker = build_cooker(scenario)
    layout = card_layout(float(cooker.pot.R), cooker.facets.label)
    step = 2.0 * layout.half / 1120
    at = (np.arange(1120) + 0.5) * step - layout.half
    x, y = np.meshgrid(at, -at)  # of the print
    paper = np.where(rings(x, y) & (np.hypot(x, y) < layout.clear), INK, PAPER)
    for number, corners in zip(layout.number, layout.corners, strict=True):
        left, top = as_printed(corners)[0]
        column = np.floor((x - left) / MARKER * MODULES).astype(int)
        row = np.floor((top - y) / MARKER * MODULES).astype(int)
        inside = (np.minimum(column, row) >= 0) & (np.maximum(column, row) < MODULES)
        black = marker_modules(int(number))[row[inside], column[inside]]
        paper[inside] = np.where(black, INK, PAPER)
    spot = flux.at((-x - place[0]).ravel(), (y - place[1]).ravel()).reshape(x.shape)
    light = paper * (0.08 + 0.8 * np.maximum(spot, 0.0) / flux.flux.max())
    light = np.pad(light, 150, constant_values=0.02)
    pixels = (255 * as_kept(gaussian_filter(light, 1.0))).round().astype(np.uint8)
    notes = Image.Exif()
    notes.get_ifd(0x8769)[0x9003] = "2026:03:20 09:32:00"
    Image.fromarray(pixels).convert("RGB").save(name, quality=90, exif=notes)


def test_the_command_finds_the_card_and_says_it(courtyard, plate, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    few = facets_named(courtyard, "A1-A3")
    flux = replace(plate, uncovered=few).mean()
    printed_card(courtyard, flux, "spot.jpg", (20e-3, 0.0))
    args = ["sunspot", str(COURTYARD), "spot.jpg", "--facets", "A1-A3", "--builds", "4"]
    run = CliRunner().invoke(app, [*args, "--beams", "2"])
    assert run.exit_code == 0, run.output
    text = " ".join(run.output.split())
    assert text.count("Caution: never bring an eye or a camera into the beam") == 1
    assert "too far to the right, and is as large as predicted" in text
    kept = read_result("results/spot-sunspot.h5")
    assert kept.plan.at == "2026-03-20 09:32:00"
    assert kept.plan.facets == few
    assert abs(kept.right.value - 20.0) < kept.right.half_width(4)
    run = CliRunner().invoke(app, [*args[:2], *args[3:], "--json"])
    assert json.loads(run.stdout)["sentences"][0].startswith("The light of 3 facets reaches")
    run = CliRunner().invoke(app, [*args[:2], "--builds", "2", "--beams", "2"])
    most = re.search(r"Uncover about (\d+) of them at most", " ".join(run.stdout.split()))
    assert 3 < int(most[1]) < 54
    Image.new("RGB", (600, 400), "white").save("empty.png")
    run = CliRunner().invoke(app, ["sunspot", str(COURTYARD), "empty.png"])
    assert run.exit_code != 0
    assert "empty.png" in run.output
