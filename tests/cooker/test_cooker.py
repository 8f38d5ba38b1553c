"""Building cookers: places, labels, frames, poses and what can't be built."""

from __future__ import annotations

from pathlib import Path
from time import perf_counter, process_time

import numpy as np
import pytest

from raytrace import Pot, build_cooker, cooker_from_arrays, load_scenario, parse_scenario
from raytrace.cooker.aiming import unit
from raytrace.cooker.geometry import DISC, HEXAGON, geometry_problems
from raytrace.cooker.pose import Pose, posed
from raytrace.exceptions import GeometryError, ScenarioError
from raytrace.optics.flux_grid import rim_area

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SHIPPED = sorted(SCENARIOS.glob("*.toml"))
COURTYARD = (SCENARIOS / "courtyard.toml").read_text()


def courtyard(*overrides):
    return parse_scenario(COURTYARD, source="courtyard.toml", overrides=overrides)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_cookers_stand_and_aim(path):
    cooker = build_cooker(load_scenario(path, ["mirror.thickness=0 mm"]))
    f = cooker.facets
    assert geometry_problems(cooker) == []
    np.testing.assert_allclose(
        np.cross(cooker.design_sun + unit(cooker.aim - f.c), f.n), 0.0, atol=1e-13
    )
    frames = np.stack([f.u, f.v, f.n], axis=1)
    np.testing.assert_allclose(
        frames @ frames.transpose(0, 2, 1), np.tile(np.eye(3), (len(f), 1, 1)), atol=1e-14
    )
    np.testing.assert_allclose(np.linalg.norm(f.c - f.mount, axis=1), f.mount_radius, atol=1e-15)


def test_grid_is_where_it_should_be():
    cooker = build_cooker(courtyard("facets.rows=3", "facets.columns=2"))
    f = cooker.facets
    assert f.label == ("A1", "A2", "B1", "B2", "C1", "C2")
    assert f.mount[0, 1] > f.mount[2, 1] > f.mount[4, 1]  # row A is nearest the sun
    assert f.mount[0, 0] < f.mount[1, 0]
    np.testing.assert_allclose(f.mount[:, :2].mean(0), 0.0, atol=1e-15)


def test_board_has_the_size_it_is_given_and_places_count_from_where_it_says():
    """Sums of lengths: a board 1.1 m by 0.8 m, counted from its corner and from its middle."""
    board = "platform.width=1100 mm", "platform.depth=800 mm"
    middle = build_cooker(courtyard(*board))
    np.testing.assert_allclose(middle.extent, [-0.55, 0.55, -0.4, 0.4])
    corner = build_cooker(
        courtyard(*board, "platform.origin=corner", "pot.place=[550 mm, -250 mm]")
    )
    for name in ("mount", "n"):
        there, same = (getattr(c.facets, name) for c in (corner, middle))
        np.testing.assert_allclose(there, same, atol=1e-14)
    np.testing.assert_allclose(corner.pot.base, middle.pot.base, atol=1e-15)
    np.testing.assert_allclose(corner.extent, middle.extent)
    moved = courtyard(*board, "platform.origin=corner", "facets.centre=[450 mm, 430 mm]")
    np.testing.assert_allclose(
        build_cooker(moved).facets.mount - middle.facets.mount, [[-0.1, 0.03, 0.0]] * 54, atol=1e-14
    )
    hinged = build_cooker(courtyard(*board, "platform.origin=corner", "platform.hinge_y=0 mm"))
    assert hinged.hinge[0] == pytest.approx(-0.4)


def test_a_corner_to_count_from_needs_the_boards_size():
    with pytest.raises(ScenarioError, match=r"Write platform\.depth") as caught:
        courtyard("platform.width=1 m", "platform.origin=corner")
    assert caught.value.problems[0].key == "platform.origin"


def test_areas_and_outlines_by_shape():
    pot = Pot(base=np.array([0, 0, 1.0]), axis=np.array([0, 0, 1.0]), R=0.1, height=0.1)
    mirror = build_cooker(courtyard()).mirror
    cooker = cooker_from_arrays(
        centers=[[0, 0, 0], [1, 0, 0], [2, 0, 0]],
        normals=[[0, 0, 1]] * 3,
        half_sizes=[[0.1, 0.2], [0.1, 0.1], [0.1, 0.1]],
        shapes=["rectangular", "round", "hexagonal"],
        pot=pot,
        mirror=mirror,
    )
    f = cooker.facets
    assert list(f.shape[1:]) == [DISC, HEXAGON]
    # rectangle, circle and regular hexagon: any mensuration table
    want = [0.08, np.pi * 0.01, 1.5 * np.sqrt(3) * 0.01]
    np.testing.assert_allclose(f.area, want, rtol=1e-14)
    for k in (0, 2):
        p = f.corners(k)[:, :2]
        x, y = p.T
        shoelace = 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
        assert shoelace == pytest.approx(want[k], rel=1e-13)


@pytest.mark.parametrize(
    ("overrides", "key", "words"),
    [
        (["facets.pitch_x=45 mm"], "facets.pitch_x", "cut through each other"),
        (["pot.place=[0 mm, 0 mm]", "pot.base_height=20 mm"], "pot.place", "cuts through facets"),
        (
            ["pot.place=[0 mm, 0 mm]", "pot.base_height=-300 mm"],
            "pot.base_height",
            "under the platform",
        ),
        (["pot.base_height=30 mm"], "pot.base_height", "level"),
        (
            [
                "facets.rows=1",
                "facets.columns=1",
                "pot.place=[0 mm, -3000 mm]",
                "pot.base_height=100 mm",
                "design.sun_altitude=3 deg",
            ],
            "pot",
            "",
        ),
    ],
)
def test_what_cannot_be_built_is_refused(overrides, key, words):
    try:
        build_cooker(courtyard(*overrides))
    except ScenarioError as error:
        text = str(error)
        assert "courtyard.toml" in text
        assert key in text
        assert words in text
        assert "Nothing was traced" in text
        assert ": :" not in text
    else:
        assert not words, "should have been refused"


def refused(*overrides):
    with pytest.raises(ScenarioError) as caught:
        build_cooker(courtyard(*overrides))
    return caught.value.problems[0]


def test_facets_inside_the_board_are_refused_with_the_least_height_that_frees_them():
    """What one writes for half-balls stood on the board: turning centres at its top."""
    problem = refused("facets.mount_height=0 mm")
    assert problem.key == "facets.mount_height"
    assert "facets D1, D9, E1, E9 and 4 more have corners up to 8 mm under" in problem.text
    assert 'Write "9 mm" or more' in problem.text
    build_cooker(courtyard("facets.mount_height=9 mm"))
    assert "corners" in refused("facets.mount_height=8 mm").text
    # a board that ends under column 2 is not cut by column 1, whose low edges hang beside it
    narrow = refused("facets.mount_height=0 mm", "platform.width=740 mm").text
    assert "facets F2, F8 have corners up to 3 mm under" in narrow
    # by hand: a corner hangs half a diagonal's share below a centre that the ball lifts
    cooker = build_cooker(courtyard("facets.mount_height=9 mm"))
    f = cooker.facets
    hang = 50e-3 * (np.abs(f.u[:, 2]) + np.abs(f.v[:, 2]))
    assert (9e-3 + 20e-3 * f.n[:, 2] - hang).min() == pytest.approx(1e-3, abs=1e-3)


def test_facets_of_a_table_inside_the_board_are_told_how_far_to_raise_them():
    text = (SCENARIOS / "rim-ring.toml").read_text()
    tables = {p.name: p.read_text() for p in SCENARIOS.glob("ring-*.csv")}
    low = tables | {"ring-places.csv": "x_mm,y_mm,z_mm\n300,0,-20\n-300,0,60\n"}
    low["ring-states.csv"] = "label,state\nA2,ok\n"
    with pytest.raises(ScenarioError, match=r"facets\.places: facets A1 .* Raise the places' z by"):
        build_cooker(parse_scenario(text, tables=low))


def test_facets_that_nothing_can_aim_are_named_with_keys_to_change():
    problem = refused("facets.mount_radius=1 m")
    assert problem.key == "facets.mount_radius"
    assert "facets A1, A2, A3, A4 and 49 more" in problem.text
    assert "pot.place" in problem.text


def test_a_laser_that_can_set_no_facet_is_told_by_check_and_by_its_keys():
    from raytrace.studies.trace.summary import summarise

    stand = "errors.rig.kind=point", "errors.rig.distance=1 mm"
    with pytest.raises(ScenarioError) as caught:
        summarise(courtyard(*stand))
    (problem,) = caught.value.problems
    assert problem.key == "errors.rig"
    assert problem.text.startswith(": facets D5 can't be set by this laser")
    assert "errors.rig.distance" in problem.text


@pytest.mark.parametrize("rows", ["facets.rows=6", "facets.rows=50"])
def test_a_crowd_of_facets_is_refused_soon(rows):
    """Five thousand, each within reach of hundreds: told without looking at millions of pairs."""
    begun = process_time()
    problem = refused("facets.columns=200", rows, "facets.pitch_x=1 mm", "facets.pitch_y=1 mm")
    assert "and many more" in problem.text
    assert process_time() - begun < 3.0  # some 0.3 s when written


def test_all_problems_come_at_once():
    with pytest.raises(ScenarioError) as caught:
        build_cooker(courtyard("facets.pitch_x=45 mm", "pot.base_height=30 mm"))
    assert len(caught.value.problems) >= 2


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"normals": [[0, 0, 0]]}, "not zero"),
        ({"centers": [[0, 0]]}, r"\(F, 3\)"),
        ({"half_sizes": -1.0}, "positive"),
        ({"shapes": "oval"}, "oval"),
        ({"reflectance": 1.5}, "0 to 1"),
        ({"labels": ["a", "b"]}, "2 labels"),
        ({"axes_u": [0, 0, 1]}, "along a normal"),
        ({"centers": [[np.nan, 0, 0]]}, "finite"),
    ],
)
def test_arrays_that_describe_no_cooker_are_refused(changes, words):
    good = {
        "centers": [[0, 0, 0]],
        "normals": [[0, 0, 1]],
        "half_sizes": 0.1,
        "pot": Pot(base=np.array([0, 0, 1.0]), axis=np.array([0, 0, 1.0]), R=0.1, height=0.1),
        "mirror": build_cooker(courtyard()).mirror,
    }
    cooker_from_arrays(**good)
    with pytest.raises(GeometryError, match=words):
        cooker_from_arrays(**{**good, **changes})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"base": [0.0, np.nan, 1.0]}, "finite"),
        ({"base": [0.0, 1.0]}, "three"),
        ({"axis": [0.0, 0.0, 0.0]}, "zero"),
        ({"R": np.nan}, "radius"),
        ({"height": np.inf}, "height"),
        ({"absorptance_side": 1.1}, "absorptance_side"),
        ({"covered": np.nan}, "covered"),
        ({"posts": [[0.0, 0.0, 0.0, 1.0, 1.0, np.inf]]}, "posts"),
        ({"posts": [[0.0, 0.0, 0.0, 1.0, 1.0, -1.0]]}, "low corner"),
        ({"stand": "stool"}, "stool"),
    ],
)
def test_pots_that_are_none_are_refused(changes, words):
    good = {"base": [0.0, 0.0, 1.0], "axis": [0.0, 0.0, 1.0], "R": 0.1, "height": 0.1}
    Pot(**good)
    with pytest.raises(GeometryError, match=words):
        Pot(**{**good, **changes})


@pytest.mark.parametrize(
    "changes",
    [
        {"half_sizes": np.nan},
        {"reflectance": np.nan},
        {"axes_u": [np.nan, 1, 0]},
        {"axes_u": [1, 0]},
    ],
)
def test_arrays_with_gaps_are_refused(changes):
    good = {
        "centers": [[0, 0, 0]],
        "normals": [[0, 0, 1]],
        "half_sizes": 0.1,
        "pot": Pot(base=np.array([0, 0, 1.0]), axis=np.array([0, 0, 1.0]), R=0.1, height=0.1),
        "mirror": build_cooker(courtyard()).mirror,
    }
    with pytest.raises(GeometryError):
        cooker_from_arrays(**{**good, **changes})


def test_many_facets_are_built_fast():
    """The least of a few times, so that other work on the machine doesn't count; typically 5 ms."""
    sizes = ["facets.width=60 mm", "facets.pitch_x=70 mm", "facets.pitch_y=70 mm"]
    scenario = courtyard("facets.rows=15", "facets.columns=20", *sizes)
    times = []
    for _ in range(5):
        begun = perf_counter()
        build_cooker(scenario)
        times.append(perf_counter() - begun)
    assert min(times) < 0.03


def test_pose_turns_and_tilts_as_stated():
    """A sun straight ahead stands at α - τ; cross-level lowers the right edge."""
    alpha, gamma, tau = np.radians([50.0, 130.0, 12.0])
    s = np.array([np.sin(gamma) * np.cos(alpha), np.cos(gamma) * np.cos(alpha), np.sin(alpha)])
    seen = Pose(heading=gamma, tilt=tau).to_platform(s)
    np.testing.assert_allclose(seen, [0, np.cos(alpha - tau), np.sin(alpha - tau)], atol=1e-15)
    right_edge = Pose(cross=0.1).to_site @ np.array([1.0, 0, 0])
    assert right_edge[2] == pytest.approx(-np.sin(0.1))
    # turned to the east, the platform's right is south
    np.testing.assert_allclose(
        Pose(heading=np.pi / 2).to_site @ [1.0, 0, 0], [0, -1, 0], atol=1e-15
    )


def test_pot_on_the_ground_stays_put_when_the_platform_tilts():
    cooker = build_cooker(load_scenario(SCENARIOS / "highland.toml"))
    assert cooker.pot.stand == "ground"
    pose = Pose(heading=0.4, tilt=np.radians(9.0))
    moved = posed(cooker, pose)
    hinge = np.array([0.0, *cooker.hinge])
    level = pose.levelling
    np.testing.assert_allclose(
        hinge + level @ (moved.pot.base - hinge), cooker.pot.base, atol=1e-14
    )
    np.testing.assert_allclose(level @ moved.pot.axis, [0, 0, 1], atol=1e-15)


def test_pot_on_the_platform_tilts_along_unless_levelled():
    pose = Pose(tilt=np.radians(8.0))
    cooker = build_cooker(courtyard("pot.stand=platform"))
    assert posed(cooker, pose) is cooker
    levelled = build_cooker(courtyard("pot.stand=platform", "pot.levelled=true"))
    moved = posed(levelled, pose)
    np.testing.assert_array_equal(moved.pot.base, levelled.pot.base)
    np.testing.assert_allclose(pose.levelling @ moved.pot.axis, [0, 0, 1], atol=1e-15)


def test_pots_frame_is_right_handed():
    cooker = posed(
        build_cooker(courtyard("pot.stand=platform", "pot.levelled=true")),
        Pose(tilt=0.2, cross=0.1),
    )
    frame = cooker.pot.frame
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-15)
    assert np.linalg.det(frame) == pytest.approx(1.0)


@pytest.mark.parametrize("bins", [1, 2, 5, 64])
def test_bins_within_the_rim_agree_with_a_polygon(bins):
    """Exact bin areas against shapely's intersection with a 262 144-gon."""
    import shapely

    R = 0.13
    area = rim_area(R, bins)
    assert area.sum() == pytest.approx(np.pi * R * R, rel=1e-12)
    rim = shapely.Point(0, 0).buffer(R, quad_segs=1 << 16)
    edge = np.linspace(-R, R, bins + 1)
    for iy, ix in [(0, 0), (bins // 2, bins // 3), (bins - 1, bins // 2), (bins // 4, bins - 1)]:
        box = shapely.box(edge[ix], edge[iy], edge[ix + 1], edge[iy + 1])
        assert area[iy, ix] == pytest.approx(rim.intersection(box).area, abs=1e-9)


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        # 90° - 60° + 23.4°: no sun over 53.5° at 60° north
        (
            ["site.latitude=60 deg", "site.longitude=25 deg", "design.sun_altitude=60 deg"],
            ["never stands at 60.0°", "at most, on 21 June"],
        ),
        (["platform.tilt=10 deg"], ["zero tilt", "hinge"]),
        (["pot.base_height=65 mm"], ["facets A1", "reach up to 95 mm", "Raise the pot"]),
        (["pot.base_height=300 mm", "pot.place=[0 mm, -700 mm]"], ["off its normal"]),
        # columns 1 and 9 have their middles 432 mm from the board's
        (["platform.width=860 mm"], ["platform.width", "A1, A9, B1", "mounts of A1, A9"]),
        (["platform.width=900 mm"], ["hang over the board's edge", '"947 mm" holds them all']),
        # one of three posts stands at 60 degrees, 104 mm nearer than the pot's middle at -650 mm
        (["platform.depth=1120 mm"], ["pot.stand", "post 1 stands in the board"]),
        (
            ["pot.stand=platform", "platform.depth=1 m"],
            ["pot.support.posts", "posts 1, 2, 3 stand beside the board"],
        ),
    ],
)
def test_doubts_are_told_but_do_not_stop(overrides, words):
    from raytrace.studies.trace.summary import summarise

    none = summarise(courtyard())
    assert none.warnings == ()
    summary = summarise(courtyard(*overrides))
    assert any(all(word in warning for word in words) for warning in summary.warnings)
