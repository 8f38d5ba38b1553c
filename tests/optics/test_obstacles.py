"""Who takes light from whom: sums against the ledger, two plates by hand, and advice followed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import PERFECT, point_sun, t_bound

from raytrace import Pot, build_cooker, cooker_from_arrays, load_scenario, run_design
from raytrace.cooker.pose import posed
from raytrace.light.expected import Expected
from raytrace.light.setup import design_sun, scenario_sunshape
from raytrace.optics.obstacles import find_obstacles
from raytrace.optics.tally import BASE, LINES
from raytrace.reports.trace.in_the_way import in_the_way_words
from raytrace.studies.trace.in_the_way import in_the_way
from raytrace.studies.trace.run import in_the_way_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
UP = np.array([0.0, 0.0, 1.0])
TAKEN = [LINES.index("shaded"), LINES.index("blocked")]


@pytest.mark.parametrize("name", ["courtyard", "highland"])
def test_pairs_sum_to_the_ledger(name):
    """Rays' pairs against exact polygons, with squares, hexagons, posts and a grate."""
    run = run_design(load_scenario(SCENARIOS / f"{name}.toml"), samples=1 << 14)
    (moment,) = run.moments
    shape = scenario_sunshape(run.scenario)
    found = find_obstacles(
        posed(run.cooker, moment.pose), moment.tally.sun, shape, dni=moment.dni, seed=5
    )
    polygons = moment.tally.power[:, :, TAKEN].sum(axis=(1, 2))
    se = np.hypot(found.total_error, polygons.std(ddof=1) / np.sqrt(len(polygons)))
    assert abs(found.taken.sum() - polygons.mean()) < t_bound(7) * se
    assert se < 0.01 * polygons.mean()
    kinds = {found.names[k].rstrip("0123456789 ") for k in found.by}
    assert {"post", "A", "B"} <= kinds
    assert ("grate" in kinds) == (run.cooker.pot.covered > 0.0)


@pytest.mark.parametrize(
    ("toward", "expected"),
    [
        # the wall's top is 50 mm up and 60 mm away: a sun at 45° leaves 60 of 100 mm in light
        (1.0, {("wall", "low"): (0.4, 0.0)}),
        # from the other side the wall stops what the low one sends up, and the low one stops what
        # the wall sends down from 10 to 50 mm and keeps from its part under -10 mm
        (-1.0, {("wall", "low"): (0.0, 0.4), ("low", "wall"): (0.4, 0.4)}),
    ],
)
def test_two_plates_by_similar_triangles(toward, expected):
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.06, 0.0], [0.0, 0.0, 0.0]],
        normals=[[0.0, -1.0, 0.0], [0.0, 0.0, 1.0]],
        half_sizes=0.05,
        pot=Pot(base=np.array([0.0, 0.0, 5.0]), axis=np.array([0.0, 0.0, 1.0]), R=0.1, height=0.1),
        mirror=PERFECT,
        labels=["wall", "low"],
    )
    sun = np.array([0.0, toward, 1.0])
    found = find_obstacles(cooker, sun, point_sun(), dni=1000.0, rays=1 << 12)
    arriving = 1000.0 * 0.1**2 * np.sqrt(0.5)
    returned = float(PERFECT.reflectance(0.25 * np.pi))
    names = [(found.names[b], found.names[f]) for b, f in zip(found.by, found.facet, strict=True)]
    assert sorted(names) == sorted(expected)
    for name, shaded, blocked in zip(names, found.shaded, found.blocked, strict=True):
        shares = shaded / arriving, blocked / (arriving * returned)
        # 2048 points a facet in rows: a share is off by a part of a row
        assert shares == pytest.approx(expected[name], abs=5e-3)


def test_a_stand_turned_by_a_quarter_has_its_posts_a_quarter_on():
    """Seen from above: clockwise, what stood to the left (-x) stands toward the sun (+y)."""
    parts = {"base": np.array([0.0, -0.65, 0.6]), "axis": UP, "R": 0.12, "height": 0.15}
    cooker = build_cooker(load_scenario(SCENARIOS / "courtyard.toml"))
    box = np.array([-0.006, -0.006, -0.6, 0.006, 0.006, 0.0])
    left, front = ([x, y, 0.0, x, y, 0.0] for x, y in ((-0.1, 0.06), (0.06, 0.1)))
    turned, stood = (
        Pot(**parts, posts=(box + place)[None], turn=turn)
        for place, turn in ((left, 0.5 * np.pi), (front, 0.0))
    )
    np.testing.assert_allclose(turned.feet, stood.feet, atol=1e-15)
    light = {"sun": np.array([0.0, 0.8, 0.6]), "shape": point_sun(), "dni": 1000.0}
    a, b = (
        find_obstacles(replace(cooker, pot=pot), **light, rays=1 << 12, replicates=2)
        for pot in (turned, stood)
    )
    of = a.by == a.names.index("post 1")
    assert a.taken[of].sum() > 0.1
    np.testing.assert_allclose(
        a.taken[of].sum(), b.taken[b.by == b.names.index("post 1")].sum(), rtol=1e-6
    )


def test_a_stand_is_turned_where_its_post_is_in_the_way():
    """Three posts of a pot behind the board block least with one straight behind."""
    scenario = load_scenario(SCENARIOS / "courtyard.toml")
    run = run_design(scenario, samples=1 << 12, in_the_way=0.01)
    found = run.in_the_way
    assert found.set_to[0] == "pot.support.post_turn=30deg"
    feet = build_cooker(scenario.varied(found.set_to[:1])).pot.feet
    assert feet[2] == pytest.approx([0.0, -0.12, -0.618], abs=1e-12)
    off, se = followed(scenario, found)
    assert abs(off) < t_bound(7) * se
    assert se < 0.02 * found.gain[0]
    words = " ".join(in_the_way_words(run))
    assert "stand turned 30° clockwise, seen from above" in words
    assert "104 mm to the right of the pot's middle and 60 mm toward the sun; it stands on" in words


def followed(scenario, found):
    """What the advice is off by and its standard error: other draws, eight times as many."""
    sun = design_sun(scenario)[0]
    before, after = (
        Expected(x, build_cooker(x), 8, seed=77).at_sun(sun, 128)[:, BASE]
        for x in (scenario, scenario.varied(found.set_to[0].split()))
    )
    won = after - before
    se = np.hypot(found.gain_se[0], won.std(ddof=1) / np.sqrt(len(won)))
    return won.mean() - found.gain[0], se


def test_following_the_advice_wins_what_it_says():
    scenario = load_scenario(SCENARIOS / "courtyard-sunside.toml")
    run = run_design(scenario, samples=1 << 12, in_the_way=0.01)
    found = run.in_the_way
    assert set(found.key[:2]) == {"facets.row_rise", "facets.pitch_y"}
    off, se = followed(scenario, found)
    assert abs(off) < t_bound(7) * se
    assert se < 0.005 * found.gain[0]
    words = " ".join(in_the_way_words(run))
    assert "(most by row D from row E" in words
    assert f"{found.gain[0]:.0f} W more at this sun" in words
    assert in_the_way(scenario, run.cooker, run.moments[0], 1.0) is None
    assert in_the_way_of(run_design(scenario, samples=64, in_the_way=0.9)) is None
