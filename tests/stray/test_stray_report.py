"""How far to stay away: what is looked for, told and drawn."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree
from typer.testing import CliRunner

from raytrace import load_scenario, read_result
from raytrace.cli import app
from raytrace.reports.common.units import using
from raytrace.reports.stray.stray_figures import _standing, figures
from raytrace.reports.stray.stray_words import (
    keep_away,
    reach_by_sun,
    stray_sentences,
    thing_limit,
)
from raytrace.sky.sun import sun_at
from raytrace.studies.stray.brief import MARGIN, brief_reach
from raytrace.studies.stray.eyes import eye_load
from raytrace.studies.stray.limits import LEAST, LIMITS
from raytrace.studies.stray.look import Look
from raytrace.studies.stray.stray import stray
from raytrace.studies.stray.stray_data import BETWEEN
from raytrace.studies.stray.stray_plan import StrayPlan, stray_cases

COURTYARD = Path(__file__).parents[2] / "scenarios" / "courtyard.toml"


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    near = {
        "site.surroundings[1].distance": "1.6 m",
        "site.surroundings[1].bearing_from": "60 deg",
        "site.surroundings[1].bearing_to": "120 deg",
        "site.surroundings[1].bottom": "0.2 m",
    }
    plan = StrayPlan.of(
        scenario := load_scenario(COURTYARD, near),
        dates=(dt.date(2026, 6, 21),),
        step=5400.0,
        rings=12,
        builds=0,
        cases=("met", "empty", "parked noon"),
    )
    path = tmp_path_factory.mktemp("stray") / "near.h5"
    result = stray(scenario, plan, path=path)
    assert read_result(path).things == result.things
    return result


def test_distances_are_never_rounded_down():
    for away in np.linspace(0.05, 40.0, 400):
        with using("si"):
            assert float(keep_away(away, 60.0).split()[0]) >= away - 1e-9
        with using("us"):
            assert 0.3048 * float(keep_away(away, 60.0).split()[0]) >= away - 1e-6


def test_reach_of_each_sun_adds_up_to_that_of_all(found):
    for limit in LIMITS[:4]:
        by_sun = np.nan_to_num(reach_by_sun(found, limit.irradiance)).max(axis=1)
        together = found.reach(limit.irradiance)
        # the curve of all suns lies over that of each: between two rings it may end a little later
        assert (by_sun <= together + 1e-9).all()
        edges = BETWEEN * found.distances * (1.0 - 1e-9)  # of rounding in logarithms
        rings = (np.searchsorted(edges, x, side="right") for x in (by_sun, together))
        np.testing.assert_array_equal(*rings)


def test_the_answer_comes_first_with_cover_before_all(found):
    first, fire, *others = stray_sentences(found)
    assert first.startswith("Cover the mirrors")
    assert keep_away(float(found.reach(LEAST.irradiance).max()), 60.0) in first
    assert "alight" in fire
    told = " ".join(others)
    for words in ("kitchen window", "the bench", "off its stand", "horizon", "Never look"):
        assert words in told


def test_light_too_weak_to_hurt_sends_nobody_away(found):
    lit = ("peak", "low", "high", "around", "on_thing", "on_horizon")
    weak = {name: 1e-3 * getattr(found, name) for name in lit}
    first, second, *_ = stray_sentences(replace(found, **weak))
    assert first.startswith("Cover the mirrors")
    assert "no light" in first
    assert "stay" not in first
    assert second.startswith("No light")


def test_no_place_on_a_window_is_brighter_than_what_is_found(found):
    """Against a close grid over all of the window, under its worst sun."""
    (case,) = (k for k, c in enumerate(found.cases) if c.name == "parked noon")
    window = found.scenario.site.surroundings[0]
    sun = int(np.nanargmax(found.on_thing[case, :, 0]))
    most = float(found.on_thing[case, sun, 0])
    look = Look(found.scenario, found.plan, None)
    meant = stray_cases(found.scenario)[-2]
    zone = found.scenario.site.timezone
    suns = sun_at(look.clear, pd.DatetimeIndex([found.times[sun]]).tz_convert(zone))
    yard = look.yard(look.exact, meant, suns, 0, look.meant(meant, suns))
    b, z = np.meshgrid(
        window.bearing_from + window.span * np.linspace(0.0, 1.0, 80),
        np.linspace(window.bottom, window.top, 80),
    )
    away = window.distance
    grid = np.stack([away * np.sin(b), away * np.cos(b), z], axis=-1).reshape(-1, 3)
    brightest = float(yard.at(grid).facing.max())
    assert most > 1000.0
    assert brightest == pytest.approx(most, rel=0.1)


def test_check_sends_nobody_nearer_than_the_study(found):
    """Its margin covers what a study finds besides; far off it would cry wolf."""
    study = float(found.reach(LEAST.irradiance).max())
    assert study <= brief_reach(found.scenario) <= 2.0 * MARGIN * study


def test_limits_of_a_kind_count_for_it(found):
    """Each from a kilowatt less on, which the sun itself puts on the same surface."""
    window, bench, _ = found.scenario.site.surroundings
    assert thing_limit(window, 2.5e3).key == "glass"
    assert thing_limit(bench, 2.5e3).key == "skin, 30 s"
    assert thing_limit(bench, 0.6e3) is None
    grass = window.model_copy(update={"kind": "grass"})
    # too weak for a fire, not for whoever stands there
    assert thing_limit(grass, 3.2e3).key == thing_limit(window, 1.9e3).key == "skin, long"
    assert thing_limit(grass, 0.6e3) is None
    assert thing_limit(grass, 12e3).key == "wood, spark"
    assert thing_limit(window.model_copy(update={"kind": "path"}), 1e5).key == "skin, 4 s"
    assert thing_limit(window.model_copy(update={"kind": "wall"}), 4e3).key == "wood, long"


def test_an_eye_bears_the_sun_but_not_three_of_them():
    """8.0 of 12.7 W/cm² on the retina: Ho, Ghanbari and Diver (2011)."""
    sun = np.pi * 4.65e-3**2
    burn, dazzle = eye_load([1000.0, 3000.0, 0.0], [sun, 3.0 * sun, 0.0])
    assert burn[0] == pytest.approx(8.0 / 12.7, abs=0.005)
    assert burn[1] == pytest.approx(burn[0] * 3.0**0.5, rel=1e-9)
    assert burn[2] == dazzle[2] == 0.0
    assert dazzle[0] > 1.0


def test_figures_are_drawn_also_where_nothing_stands_about(found):
    assert set(figures(found)) == {"above", "side", "hours"}
    dark = replace(found, low=np.zeros_like(found.low), around=np.zeros_like(found.around))
    dark = replace(dark, side=np.zeros_like(found.side), on_horizon=np.zeros_like(found.on_horizon))
    assert set(figures(dark)) == {"above", "side", "hours"}
    assert stray_sentences(dark)[0].startswith("Cover the mirrors")
    sitting = replace(found, plan=replace(found.plan, people=(0.1, 0.4)))  # within one layer
    assert set(figures(sitting)) == {"above", "side", "hours"}


def test_the_cooker_is_drawn_where_its_light_comes_from():
    """Also of a platform that tilts about its hinge: middles of facets, drawn and traced."""
    terrace = load_scenario(COURTYARD.with_name("terrace.toml"))
    once = {"dates": (dt.date(2026, 12, 21),), "step": 4 * 3600.0, "cases": ("met",), "rings": 2}
    lit = stray(terrace, plan := StrayPlan.brief(terrace, **once))
    sun = lit.worst_sun(0)
    assert abs(lit.tilt[0, sun]) > 0.1
    scene = _standing(lit, 0, sun)
    look = Look(terrace, plan, 1)
    suns = sun_at(look.clear, pd.DatetimeIndex([lit.times[sun]]).tz_convert(terrace.site.timezone))
    yard = look.yard(look.exact, lit.cases[0], suns, 0, look.meant(lit.cases[0], suns))
    drawn = scene.mounts[:, 2] + [0.0, 0.0, scene.cooker.thickness]
    assert cKDTree(drawn).query(yard.rays[0])[0].max() < 1e-9


def test_the_command_refuses_what_it_cannot_mean(tmp_path):
    for option, words in (
        (["--people", "2 m"], "write heights as 0 m..2 m"),
        (["--people", "2 m..1 m"], "the heights must rise"),
        (["--parked", "north"], "--parked"),
        (["--level", "5"], "--level"),
        (["--date", "yesterday"], "no date"),
    ):
        run = CliRunner().invoke(app, ["stray", str(COURTYARD), "--no-files", *option])
        assert run.exit_code == 2
        assert words in run.output
