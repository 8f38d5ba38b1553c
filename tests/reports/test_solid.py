"""What the picture in space shows is the cooker that is traced, and each facet can be seen."""

from __future__ import annotations

import io
import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.spatial import cKDTree
from shapely import STRtree, polygons
from store.test_results import Nothing
from typer.testing import CliRunner

import raytrace
from raytrace.cli import app
from raytrace.cooker.pose import Pose, posed
from raytrace.reports.common.style import picture
from raytrace.reports.trace.bodies import Scene
from raytrace.reports.trace.exported import cooker_mesh
from raytrace.reports.trace.solid import best_view, hidden, ray_lines, solid_figure
from raytrace.sky.ground import Ground
from raytrace.store.results import write_result

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = ["courtyard", "courtyard-sunside", "highland", "rim-ring", "terrace", "school-kitchen"]
FEW = {"samples": 2000, "bins": 4, "replicates": 2, "draws": 0}


@pytest.fixture(scope="module")
def runs():
    return {
        name: raytrace.run_design(raytrace.load_scenario(SCENARIOS / f"{name}.toml"), **FEW)
        for name in NAMES
    }


def scene_of(run, pose=None):
    moment = run.moments[0]
    pose = moment.pose if pose is None else pose
    return Scene(posed(run.cooker, pose), pose, moment.tally.sun)


TILTED = Pose(2.0, 0.2, 0.05, Ground(0.1, 0.7))


@pytest.mark.parametrize("name", NAMES[:-1])
def test_what_is_drawn_is_the_mesh_that_is_exported(runs, name):
    """Corners of facets, posts and board against `cooker_mesh`, which trimesh builds."""
    scene = scene_of(runs[name], TILTED)
    there = cKDTree(scene.placed(cooker_mesh(scene.cooker).vertices))
    for bodies in (scene.facets, scene.posts, scene.board):
        if bodies.size:
            assert there.query(bodies.reshape(-1, 3))[0].max() < 1e-9


@pytest.mark.parametrize("name", NAMES)
def test_every_facet_is_joined_to_the_board(runs, name):
    """A mount begins on the board's top and ends in the middle of its facet's outline."""
    scene = scene_of(runs[name], TILTED)
    assert len(scene.mounts) == len(scene.facets) == scene.cooker.facets.present.sum()
    corner, right, _, up = scene.board[5]
    edges = np.stack([right - corner, up - corner])
    feet = scene.mounts[:, 0] - corner
    assert np.abs(feet @ np.cross(*edges)).max() < 1e-9
    along = feet @ edges.T / (edges**2).sum(axis=1)
    assert (along > 0.0).all()
    assert (along < 1.0).all()
    # opposite corners of all shapes lie about the middle
    half = scene.facets.shape[1] // 2
    outline = scene.facets[:, [0, half]]
    assert scene.mounts[:, 2] == pytest.approx(outline.mean(axis=1), abs=1e-9)


def test_the_sun_stands_where_the_almanac_has_it(runs):
    for run in runs.values():
        moment = run.moments[0]
        east, north, up = scene_of(run).to_sun
        assert np.arcsin(up) == pytest.approx(moment.sun_altitude, abs=1e-9)
        assert np.arctan2(east, north) % (2 * np.pi) == pytest.approx(moment.sun_azimuth, abs=1e-9)


def test_the_platform_turns_about_its_hinge_and_stands_on_the_ground(runs):
    for run in runs.values():
        hinge = np.array([0.3, *run.cooker.hinge])
        flat, tilted = (scene_of(run, Pose(1.0, t)) for t in (0.0, 0.15))
        assert tilted.placed(hinge) == pytest.approx(flat.placed(hinge), abs=1e-12)
        for scene in (flat, tilted):
            solids = np.concatenate([scene.board, scene.posts.reshape(-1, 4, 3)]).reshape(-1, 3)
            assert solids[:, 2].min() == pytest.approx(scene.level, abs=1e-12)
            corners = scene.board[4]
            ends = scene.legs[:, 1, 2]
            assert ends == pytest.approx(np.full(len(ends), scene.level), abs=1e-12)
            assert len(ends) == (corners[:, 2] > scene.level + 1e-3).sum()
        if run.cooker.pot.stand == "ground":
            assert tilted.base == pytest.approx(flat.base, abs=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_rays_end_on_what_they_meet_or_pass_the_pot(runs, name):
    run = runs[name]
    scene = scene_of(run)
    pot = scene.cooker.pot
    lines = ray_lines(scene, run.paths(rays=500))
    axis = scene.turned(pot.axis)
    middle = scene.base.mean(axis=0)

    def in_pot(points):
        z = (points - middle) @ axis
        return np.linalg.norm(points - middle - z[..., None] * axis, axis=-1), z

    out, z = in_pot(lines["base"][:, 1])
    assert (out <= pot.R + 1e-9).all()
    assert np.abs(z).max() < 1e-9
    if "side" in lines:
        out, z = in_pot(lines["side"][:, 1])
        assert out == pytest.approx(np.full(len(out), pot.R), abs=1e-9)
        assert ((z >= 0.0) & (z <= pot.height)).all()
    if "missed" in lines:
        start, end = lines["missed"].transpose(1, 0, 2)
        out, z = in_pot(start + np.linspace(0.0, 1.0, 400)[:, None, None] * (end - start))
        assert not ((out < pot.R) & (z > 0.0) & (z < pot.height)).any()
        past = np.linalg.norm(end - start, axis=1) > np.linalg.norm(middle - start, axis=1)
        assert past.all()
    # all come in from one plane square to the sun, beyond everything that stands there
    level = lines["sun"][:, 0] @ scene.to_sun
    assert np.ptp(level) < 1e-9
    assert level[0] > (scene.points @ scene.to_sun).max()


@pytest.mark.parametrize("name", NAMES)
def test_each_facet_shows_its_front_and_the_nearer_hides_the_farther(runs, name):
    """Painting by the middles' depth is right if it is so wherever two facets overlap."""
    scene = scene_of(runs[name])
    view = best_view(scene)
    f = scene.cooker.facets
    normals = scene.turned(f.n[f.present])
    eye = view.axes[2]
    assert (normals @ eye > 0.0).all()
    assert hidden(scene, view).mean() <= 0.02
    seen = view.seen(scene.facets)
    flat = polygons(seen[..., :2])
    pairs = STRtree(flat).query(flat, predicate="overlaps").T
    right, _, _ = view.axes
    depth = seen[..., 2].mean(axis=1)
    for i, j in pairs[pairs[:, 0] < pairs[:, 1]]:
        both = flat[i].intersection(flat[j])
        if both.area < 1e-6:
            continue
        x, y = both.representative_point().coords[0]
        at = x * right + y * view.axes[1]
        true = [normals[k] @ (scene.facets[k, 0] - at) / (normals[k] @ eye) for k in (i, j)]
        assert (true[0] < true[1]) == (depth[i] < depth[j])


def test_the_same_run_gives_the_same_picture_with_words_apart(runs):
    for name in ("highland", "rim-ring"):
        one, other = (solid_figure(runs[name]) for _ in range(2))
        one.draw_without_rendering()  # legends are laid out then
        words = [*one.texts, *one.axes[0].texts, *one.axes[0].get_legend().get_texts()]
        boxes = [t.get_window_extent() for t in words if t.get_text()]
        for box in boxes:
            assert box.x0 >= one.bbox.x0
            assert box.x1 <= one.bbox.x1
            assert box.y1 <= one.bbox.y1
        assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))
        assert bytes(picture(one, "png")) == bytes(picture(other, "png"))


def test_a_cooker_that_gets_nothing_is_drawn_too():
    scenario = raytrace.load_scenario(SCENARIOS / "courtyard.toml")
    run = raytrace.run_at(scenario, "2026-06-21 12:30", **FEW)
    assert float(run.brightest.tally.delivered) == 0.0
    figure = solid_figure(run)
    assert len(figure.axes) == 1, "no scale of watts where there are none"
    assert "base" not in ray_lines(scene_of(run), run.paths())


def test_it_turns_in_a_page_that_needs_no_network(tmp_path, browser):
    """Shut in its frame, under 1 MB, without errors."""
    scenario = raytrace.load_scenario(SCENARIOS / "rim-ring.toml")
    raytrace.run_design(scenario, path=tmp_path / "ring.h5", **FEW)
    page = tmp_path / "turns.html"
    asked = ["page", str(tmp_path / "ring.h5"), "-o", str(page), "--turnable"]
    assert CliRunner().invoke(app, asked).exit_code == 0
    frames = re.findall('srcdoc="([^"]*)"', page.read_text())
    assert [len(text) < 1e6 for text in frames] == [True]
    view = browser.new_context(offline=True).new_page()
    trouble = []
    view.on("console", lambda m: m.type == "error" and trouble.append(m.text))
    view.on("pageerror", lambda error: trouble.append(str(error)))
    view.goto(page.as_uri())
    frame = view.locator("iframe")
    assert frame.get_attribute("sandbox") == "allow-scripts"
    assert frame.get_attribute("title")
    view.frame_locator("iframe").locator("canvas").wait_for()
    frame.scroll_into_view_if_needed()
    for _ in range(50):
        colours = len(Image.open(io.BytesIO(frame.screenshot())).convert("RGB").getcolors(1 << 24))
        if colours > 300:
            break
        view.wait_for_timeout(100)
    assert colours > 300, "mirrors, board, pot and rays, each shaded"
    assert trouble == []


def test_only_a_trace_turns(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_result("s.h5", Nothing(), "season", {})
    told = CliRunner().invoke(app, ["page", "s.h5", "--turnable"])
    assert told.exit_code == 2
    assert "goes with results of cooker trace" in " ".join(told.output.split())
