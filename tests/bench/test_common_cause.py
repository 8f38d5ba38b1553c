"""What all spots have in common: each cause found with its size, none where there is none."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from checks import ALPHA
from scipy import stats

from raytrace import SpotsPlan, build_cooker, load_scenario
from raytrace.cooker.aiming import axes, turn
from raytrace.cooker.tolerances import Rig, tolerances_from_scenario
from raytrace.reports.bench.spots_words import move_words, spot_sentences, verdict
from raytrace.studies.bench.common_cause import FALSE_ALARM, common_cause, set_with
from raytrace.studies.bench.design_light import still_light
from raytrace.studies.bench.moves import After, stood_after
from raytrace.studies.bench.redo import _Sets, redo
from raytrace.studies.bench.spot_geometry import drawn_facets, normals_from_spots, spots_on_plane
from raytrace.studies.bench.spots_data import Misfit, Spots

SCENARIOS = Path(__file__).parents[2] / "scenarios"
QUICK = SpotsPlan(beams=2, replicates=4, builds=2, readings=8)
SMALL = ("pot.diameter=15 cm",)


@lru_cache
def scenario_of(name, *overrides):
    straight = ["errors.rig.altitude_bias=0 deg", "errors.rig.azimuth_bias=0 deg"]
    return load_scenario(SCENARIOS / f"{name}.toml", [*straight, *overrides])


@lru_cache
def cooker_of(*asked):
    return build_cooker(scenario_of(*asked))


def seen(misfit, *asked, seed=1, knocked=3, sigma=2e-3, laser=None):
    """Spots of a workshop's cooker with a misfit, some facets knocked by 4°; and the truth."""
    scenario, cooker = scenario_of(*asked), cooker_of(*asked)
    exact, set_so = cooker.facets, set_with(cooker, misfit)
    drawn = drawn_facets(scenario, cooker, seed=seed, build=0)
    off = np.stack([(drawn.n * exact.u).sum(1), (drawn.n * exact.v).sum(1)], axis=1)
    rng = np.random.default_rng(seed)
    off[rng.choice(len(off), knocked, replace=False)] += 0.07
    n = turn(set_so.n, set_so.u, set_so.v, np.stack([-off[:, 1], off[:, 0]], axis=1))
    u, v = axes(n)
    real = replace(exact, mount=drawn.mount, n=n, u=u, v=v)
    rig = tolerances_from_scenario(scenario).rig
    spot = spots_on_plane(cooker, laser or rig, "base", facets=real)
    spot += sigma * rng.standard_normal(spot.shape)
    read = Spots(
        scenario=scenario,
        plan=replace(QUICK, seed=seed),
        rig=rig,
        plane="base",
        source="seen.csv",
        mark=spots_on_plane(cooker, rig, "base"),
        spot=spot,
        sigma=np.full(len(n), sigma),
        present=exact.present,
        reflectance=exact.reflectance,
        n=normals_from_spots(cooker, rig, "base", spot),
    )
    return read, replace(read, n=n)


@pytest.mark.parametrize(
    ("names", "misfit"),
    [
        (("pot",), Misfit(pot_x=-0.05, pot_y=0.03)),
        (("height",), Misfit(pot_z=0.04)),
        (("altitude",), Misfit(altitude=-0.02)),
        (("azimuth",), Misfit(azimuth=0.025)),
        (("swivel",), Misfit(swivel=0.25)),
        (("pot", "altitude"), Misfit(pot_x=0.04, pot_y=-0.03, altitude=0.03)),
        (("altitude", "azimuth"), Misfit(altitude=0.02, azimuth=-0.02)),
    ],
)
def test_each_cause_is_found_with_its_size_though_facets_were_knocked(names, misfit):
    read, _ = seen(misfit, "courtyard")
    found = common_cause(read)
    assert found.causes[0].names == names
    size, sd = (np.array(x.numbers) for x in (found.causes[0].size, found.causes[0].sd))
    fitted = sd > 0.0
    assert (fitted | (size == 0.0)).all()
    z = (size - misfit.numbers)[fitted] / sd[fitted]
    assert stats.chi2.sf((z**2).sum() / 2.0, fitted.sum()) > ALPHA, "within 1.4 of what it states"


def test_a_laser_swivelled_while_spots_are_read_is_told_from_one_that_facets_were_set_by():
    read, _ = seen(Misfit(), "courtyard", laser=Rig(kind="point", distance=4.0))
    found = common_cause(read)
    assert found.misread
    assert -1.0 / found.causes[0].size.swivel == pytest.approx(4.0, rel=0.1)


def test_a_table_without_a_common_cause_is_told_one_no_oftener_than_stated():
    """Binomial law over cookers with knocked facets, false alarm ALPHA."""
    rounds = 60
    told = sum(
        bool(common_cause(seen(Misfit(), "courtyard", seed=seed)[0]).causes)
        for seed in range(100, 100 + rounds)
    )
    assert stats.binom.sf(told - 1, rounds, FALSE_ALARM) > ALPHA


def test_too_few_spots_say_nothing():
    read, _ = seen(Misfit(pot_x=0.05), "courtyard")
    few = replace(read, present=np.arange(len(read.n)) < 7)
    assert common_cause(few) is None


def test_causes_that_spots_cannot_tell_apart_are_all_named():
    """From facets side by side a pot out of its place and a laser turned aside look the same."""
    read, _ = seen(Misfit(azimuth=0.02), "courtyard", knocked=0)
    mount = read.cooker.facets.mount
    near = np.argsort(np.linalg.norm(mount - mount.mean(axis=0), axis=1))[:10]
    found = common_cause(replace(read, present=np.isin(np.arange(len(mount)), near)))
    assert {("pot",), ("azimuth",)} <= {cause.names for cause in found.causes}


@pytest.mark.parametrize(
    "misfit",
    [
        Misfit(pot_x=0.03, pot_y=0.05, pot_z=-0.02),
        Misfit(azimuth=0.05),
        Misfit(altitude=-0.05),
        Misfit(pot_x=0.04, azimuth=-0.03),
    ],
)
def test_after_the_move_each_facet_sends_the_sun_to_its_aim_again(misfit):
    """Law of reflection (E. Hecht, Optics, section 4.3) at each facet's centre, to a micrometre.

    So much closer than that the time is found at which the sun stands at its design altitude.
    """
    asked = ("courtyard-sunside", "mirror.thickness=0 mm")
    cooker = cooker_of(*asked)
    after = stood_after(
        scenario_of(*asked), cooker, still_light(scenario_of(*asked), cooker), misfit
    )
    facets, s = after.cooker.facets, after.light.placed.suns[0]
    way = 2.0 * (facets.n @ s)[:, None] * facets.n - s
    to_aim = after.cooker.aim - facets.c
    np.testing.assert_allclose(np.cross(way, to_aim), 0.0, atol=1e-6)
    moved = after.cooker.pot.base - cooker.pot.base
    np.testing.assert_allclose(moved, -np.array(misfit.numbers[:3]), atol=1e-15)
    np.testing.assert_allclose(after.cooker.aim - cooker.aim, np.tile(moved, (len(way), 1)))


def test_one_move_wins_what_it_says_and_the_list_comes_after():
    read, true = seen(Misfit(pot_x=0.06), "courtyard", *SMALL)
    result = redo(read)
    told = replace(read, redo=result)
    assert result.moved.undoes == ("pot",)
    assert verdict(told).startswith("Shift the pot 6")
    assert "to the left" in verdict(told)
    assert "the pot stood 6" in spot_sentences(told)[1]
    light = still_light(read.scenario, read.cooker)
    options = {"beams_per_facet": 4, "replicates": 8, "seed": 9, "streams": 1}
    still = _Sets(true, After(read.cooker, light), options).redone([()])[0]
    after = stood_after(read.scenario, read.cooker, light, result.moved.undone)
    steps = _Sets(true, after, options).redone([(), tuple(result.chosen)])
    won = steps[0].mean() - still.mean()
    sd = np.hypot(result.moved.gain_sd, result.moved.gain.se)
    assert abs(won - float(result.moved.gain)) < 6.0 * sd
    assert set(result.chosen) <= set(np.flatnonzero(result.off > 0.03)), "knocked ones alone"
    assert steps[1].mean() - steps[0].mean() == pytest.approx(result.reached, abs=1.0)


def test_facets_that_were_not_read_are_taken_to_share_what_the_others_show():
    read, _ = seen(Misfit(pot_x=0.06), "courtyard", *SMALL, knocked=0)
    unread = np.arange(len(read.n)) % 3 > 0
    spot = np.where(unread[:, None], np.nan, read.spot)
    n = np.where(unread[:, None], read.cooker.facets.n, read.n)
    some = redo(replace(read, spot=spot, n=n))
    assert float(some.moved.gain) == pytest.approx(float(redo(read).moved.gain), rel=0.1)


def test_a_cooker_in_order_is_good_enough():
    read, _ = seen(Misfit(), "courtyard", knocked=0)
    told = replace(read, redo=redo(read))
    assert verdict(told).startswith("Good enough: nothing worth redoing (the best facet, ")


def test_moves_are_told_as_they_are_made():
    assert move_words(Misfit(pot_x=0.06)) == "Shift the pot 60 mm to the left"
    assert move_words(Misfit(pot_y=-0.02, pot_z=0.01)) == (
        "Shift the pot 20 mm toward the sun's side and lower it by 10 mm"
    )
    assert move_words(Misfit(azimuth=np.radians(0.8))) == (
        "Turn the cooker 0.8° further anticlockwise each time"
    )
