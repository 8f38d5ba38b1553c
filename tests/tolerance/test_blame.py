"""Whose fault: losses against closed forms, Sobol' indices against a published function."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from checks import ALPHA, SIGMAS, SUN_RADIUS, ensemble_of_one, one_facet, t_bound
from pictures import flaws
from scipy import stats
from store.test_results import same
from typer.testing import CliRunner

from raytrace import blame, load_scenario, read_result
from raytrace.cli import app
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.tolerances import PotPlace, Rig, Tolerances, standard_normals
from raytrace.light.setup import LightSettings
from raytrace.reports.tolerance.blame import blame_sentences
from raytrace.reports.tolerance.blame_figures import figures
from raytrace.sky.sunshape import sunshape
from raytrace.store.plain import plain
from raytrace.studies.tolerance.blame import (
    GROUPS,
    SOURCES,
    BlamePlan,
    iter_ensembles,
    put_together,
)
from raytrace.studies.tolerance.sobol import indices, pick_freeze

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
SMALL = BlamePlan(builds=20, base=64, seed=3, unknown_rows=0)


@pytest.fixture(scope="module")
def study():
    return blame(load_scenario(COURTYARD), SMALL)


# --- Sobol' indices ---------------------------------------------------------------------------


def drawn(numbers, source):
    """The uniform number that a build number selects, as builds' draws are keyed."""
    one = np.zeros(1, dtype=np.int64)
    return stats.norm.cdf(standard_normals(5, source, numbers, one, one, 1)[:, 0, 0])


def test_indices_of_a_published_test_function():
    """Ishigami's function, as SALib ships it, through our pick-freeze design of build numbers.

    Analytic: T. Ishigami and T. Homma, Proc. ISUMA '90 (1990) 398-403; values for a = 7, b = 0.1
    as printed by A. Saltelli et al., Global Sensitivity Analysis: The Primer, Wiley, 2008, section
    4.8 (section from memory): S = 0.3139, 0.4424, 0; the totals follow from the same variances.
    Bound: SIGMAS bootstrap standard errors, and the values' four digits.
    """
    from SALib.test_functions import Ishigami

    names, base = ("setting", "placement", "roll"), 1 << 13
    picked = pick_freeze(names, np.arange(base), base)
    X = np.stack([2.0 * np.pi * drawn(picked[k], GROUPS[k]) - np.pi for k in names], axis=1)
    got = indices(Ishigami.evaluate(X), names, seed=2)
    a, b = 7.0, 0.1
    V1 = 0.5 * (1.0 + b * np.pi**4 / 5.0) ** 2
    V2 = a**2 / 8.0
    V13 = b**2 * np.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    V = V1 + V2 + V13
    first, total = np.array([V1, V2, 0.0]) / V, np.array([V1 + V13, V2, V13]) / V
    assert np.round(first, 4).tolist() == [0.3139, 0.4424, 0.0]
    assert (np.abs(got.first[-1] - first) < SIGMAS / 1.96 * got.first_ci[-1] + 5e-5).all()
    assert (np.abs(got.total[-1] - total) < SIGMAS / 1.96 * got.total_ci[-1] + 5e-5).all()
    assert (got.first_ci[-1] < 0.04).all()
    # more rows, narrower intervals: four times as many, half as wide, to a third
    assert got.base.tolist() == [2**k for k in range(6, 14)]
    shrink = got.total_ci[-1] / got.total_ci[-5]
    assert (np.abs(shrink - 0.25) < 0.09).all()
    assert got.sd == pytest.approx(np.sqrt(V), rel=0.03)
    # and it can fail: the function of another b has other shares
    other = indices(Ishigami.evaluate(X, B=0.05), names, seed=2)
    assert (np.abs(other.first[-1] - first) > SIGMAS / 1.96 * other.first_ci[-1])[:2].all()


def test_a_design_row_swaps_one_group_at_a_time():
    names = tuple(GROUPS)
    picked = pick_freeze(names, np.array([0, 1, 2]), 64)
    rows = np.stack([picked[k] for k in names]).reshape(len(names), 3, len(names) + 2)
    for j in range(3):
        assert (rows[:, j, 0] == j).all()
        assert (rows[:, j, -1] == j + 64).all()
        for k in range(len(names)):
            changed = rows[:, j, k + 1] != j
            assert changed.tolist() == [g == k for g in range(len(names))]


def test_what_does_not_vary_has_no_shares():
    got = indices(np.full(64 * 4, 3.0), ("setting", "pot"))
    assert not got.first.any()
    assert not got.total.any()
    assert indices(np.full(64 * 2, 3.0), ()).total.shape == (1, 0)


def test_a_group_that_alone_moves_the_watts_has_all_the_shares():
    """The pot's rim crosses one facet's spot, so that watts go as the pot's x and nothing else.

    Over the facet's 2 mm the rim of a base of 100 mm is straight to 5 µm, and a roll of 10 mrad
    turns a square spot that it halves by as much on either side: the pot has the first-order and
    the total share, the roll none.
    """
    tolerances = Tolerances(
        roll=0.01, pot=PotPlace(bias=(0.1 / np.cos(0.2), 0.0, 0.0), rms=(2e-4, 0.0, 0.0))
    )
    study = blame_of(half=1e-3, R=0.1, tolerances=tolerances, theta=0.2)
    found = study.indices["angle"]
    assert found.groups == ("roll", "pot")
    shares = np.array([found.first[-1], found.total[-1]])
    ci = np.array([found.first_ci[-1], found.total_ci[-1]])
    assert (np.abs(shares[:, 1] - 1.0) < SIGMAS / 1.96 * ci[:, 1]).all()
    assert (np.abs(shares[:, 0]) < 0.01).all()
    # the rim halves the spot, and 0.2 mm of its 2 mm are a tenth; 256 builds
    whole = study.no_sources.power.mean
    assert study.full["angle"].power.mean == pytest.approx(
        0.5 * whole, abs=SIGMAS * 0.1 * whole / np.sqrt(256)
    )
    assert found.sd == pytest.approx(0.1 * whole, rel=SIGMAS / np.sqrt(2.0 * 256))


# --- losses -----------------------------------------------------------------------------------


def blame_of(*, half, R, tolerances, mirror=None, d=1.5, builds=400, theta=0.004, radius=1e-4):
    """Study of one facet whose base is square to the beam."""
    cooker, s = one_facet(theta, d, half=half, R=R, mirror=mirror or Mirror(clean=1.0), height=1e-3)
    ensemble = ensemble_of_one(
        cooker, s, tolerances, sunshape("uniform", radius), LightSettings(16, 4, 4)
    )
    plan = BlamePlan(builds=builds, base=128, seed=4, beams=16, replicates=4, unknown_rows=0)
    return put_together(ensemble, plan, dict(iter_ensembles(ensemble, plan)))


def loss_p(loss, expected, df, slack):
    """Student's t: chance that a loss strays as far from `expected`, but for `slack`."""
    beyond = max(abs(loss.alone - expected) - slack, 0.0)
    return float(2.0 * stats.t.sf(beyond / loss.alone_se, df)) if beyond else 1.0


def test_losses_to_surface_sun_and_setting_follow_closed_forms():
    """Each alone on one tiny facet; Student's t, false alarm ALPHA.

    Waviness and setting: 1 − exp(−R²/2s²) of the Rayleigh distribution, s = 2σd. Scatter: the
    same with s = σd. An even sun: the share R²/(d tan ψ)² of its image. Slack: as in
    tests/test_closed_forms.py, incidence 0.004 and tan(x) for x.
    """
    d, R, sigma = 1.5, 3e-3, 1e-3
    study = blame_of(
        half=1e-7,
        R=R,
        d=d,
        tolerances=Tolerances(setting=sigma),
        mirror=Mirror(clean=1.0, slope=0.8e-3, specularity=1.5e-3),
        radius=SUN_RADIUS,
        builds=3000,
    )
    whole = study.no_sources.power.mean
    kept = {
        "setting": -np.expm1(-0.5 * (R / (2.0 * sigma * d)) ** 2),
        "waviness": -np.expm1(-0.5 * (R / (2.0 * 0.8e-3 * d)) ** 2),
        "specularity": -np.expm1(-0.5 * (R / (1.5e-3 * d)) ** 2),
        "sunshape": (R / (d * np.tan(SUN_RADIUS))) ** 2,
    }
    df = study.plan.builds // 2 - 1
    for loss in study.of("angle"):
        if loss.source.key in kept:
            expected = whole * (1.0 - kept[loss.source.key])
            assert loss_p(loss, expected, df, 3e-5 * whole) > ALPHA / len(kept)
            assert loss_p(loss, expected + 0.1 * whole, df, 3e-5 * whole) < ALPHA / len(kept)
        else:
            assert not loss.present
            assert np.isnan([loss.alone, loss.without]).all()


def test_a_laser_aside_costs_alike_alone_and_without_anything_else():
    """With one source only, added alone and taken alone are the same difference."""
    tolerances = Tolerances(rig=Rig(altitude_bias=4e-3))
    study = blame_of(half=2e-3, R=4e-3, tolerances=tolerances, builds=8)
    by_laser = {x.source.key: x for x in study.of("laser")}
    found = by_laser["rig_altitude"]
    assert found.present
    assert found.alone > 0.2 * study.no_sources.power.mean
    # what else there is, the sun's 0.1 mrad, hardly counts
    assert found.without == pytest.approx(found.alone, rel=0.02)
    assert not {x.source.key: x for x in study.of("angle")}["rig_altitude"].present
    assert study.gap[0] == pytest.approx(found.alone, rel=0.02)


def test_misplaced_mounts_cost_by_angle_what_the_laser_makes_up_for():
    """A mount 5 mm off moves the spot 5 mm off a 4 mm base by angle, and nothing by laser."""
    tolerances = Tolerances(placement_xy=5e-3)
    # at incidence 0.05 the pot's shadow falls well aside of the facet
    study = blame_of(half=1e-4, R=4e-3, tolerances=tolerances, theta=0.05)
    laser, angle = (
        next(x for x in study.of(way) if x.source.key == "placement") for way in ("laser", "angle")
    )
    whole = study.no_sources.power.mean
    assert abs(laser.alone) < 1e-3 * whole
    # 1 − exp(−R²/2σ²), the Rayleigh distribution; the facet's own 0.1 mm and its slant, cos 0.05,
    # change it by under 1e-3
    df = study.plan.builds // 2 - 1
    expected = whole * np.exp(-0.5 * (4.0 / 5.0) ** 2)
    assert loss_p(angle, expected, df, 1e-3 * whole) > ALPHA
    assert study.indices["laser"].sd < 0.01 * study.indices["angle"].sd


def test_the_courtyards_study_is_whole(study):
    keys = [x.source.key for x in study.of("laser")]
    assert keys == [x.source.key for x in study.of("angle")]
    assert len(keys) == len(set(keys)) == 13
    present = {x.source.key for x in study.of("laser") if x.present}
    assert present == set(keys) - {"rig_altitude", "rig_azimuth", "rig_stand"}
    by_angle = {x.source.key for x in study.of("angle") if x.present}
    assert by_angle == present - {"rig_hit"}
    assert study.indices["laser"].groups == tuple(GROUPS)
    assert study.indices["angle"].groups == tuple(k for k in GROUPS if k != "rig")
    gap, se = study.gap[0], study.gap_se[0]
    apart = study.no_sources.power.mean - study.full["laser"].power.mean
    assert gap == pytest.approx(apart, rel=1e-9)
    assert 0.0 < se < 0.01 * study.no_sources.power.mean


def test_rig_biases_show_once_a_scenario_has_them():
    scenario = load_scenario(COURTYARD, ['errors.rig.altitude_bias="2 deg"'])
    many = replace(SMALL, builds=120)
    study = blame(scenario, many)
    found = next(x for x in study.of("laser") if x.source.key == "rig_altitude")
    assert found.present
    assert found.alone > 1.0
    assert found.alone_se == pytest.approx(0.0, abs=1e-9)  # nothing is drawn
    assert found.without > t_bound(many.builds // 2 - 1) * found.without_se > 0.0
    assert "laser too high or low" in " ".join(blame_sentences(study))


def test_a_swivelled_laser_is_a_source_of_its_own():
    scenario = load_scenario(COURTYARD, ['errors.rig.kind="point"', 'errors.rig.distance="6 m"'])
    study = blame(scenario, replace(SMALL, builds=4))
    found = {x.source.key: x for x in study.of("laser")}
    assert found["rig_stand"].alone > 0.05 * study.no_sources.power.mean
    # with corrected marks the cooker without any source is that of a slid laser
    slid = blame(load_scenario(COURTYARD), replace(SMALL, builds=4))
    assert study.no_sources.power.mean == slid.no_sources.power.mean


# --- the same bits ----------------------------------------------------------------------------


@pytest.mark.parametrize("threads", [1, 2])
def test_threads_change_no_bit(study, threads):
    same(study, blame(load_scenario(COURTYARD), SMALL, threads=threads))


def test_a_study_that_is_stopped_and_continued_has_the_bits_of_an_unbroken_one(study, tmp_path):
    scenario, path = load_scenario(COURTYARD), tmp_path / "study.h5"
    seen: list[tuple[float, float]] = []

    def stopped(done, total):
        seen.append((done, total))
        if len(seen) == 32:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        blame(scenario, SMALL, path=path, progress=stopped)
    same(study, blame(scenario, SMALL, path=path, progress=lambda *x: seen.append(x)))
    assert seen[32][0] == 32 * SMALL.builds  # 31 were kept
    assert seen[-1][0] == seen[-1][1] == seen[0][1]
    same(study, read_result(path, "blame"))
    with xr.open_dataset(path) as data:
        assert data["without"].dims == ("set_by", "source")
        assert data["source"].values.tolist() == [x.key for x in SOURCES]
        assert data["indices.laser.group"].values.tolist() == list(GROUPS)


# --- report and command -----------------------------------------------------------------------


def test_pictures_can_be_read(study):
    assert flaws(*figures(study).values()) == []


def test_sentences_say_what_the_figures_are(study):
    facts, words = plain(study), blame_sentences(study)
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts
    assert f"all errors together cost {study.gap[0]:.2f}" in words[0]
    best = max(
        (x for x in study.of("laser") if x.present),
        key=lambda x: (x.without > 2.0 * x.without_se, x.without),
    )
    assert words[0].startswith(f"Most is lost to {best.source.name}")
    assert "laser swivelled" in words[-1]


def test_command_writes_and_repeats_itself(tmp_path):
    runner, path = CliRunner(), tmp_path / "b.h5"
    arguments = [
        "blame",
        str(COURTYARD),
        "--builds",
        "8",
        "--rows",
        "64",
        "--unknown-rows",
        "8",
        "-o",
        str(path),
    ]
    first = runner.invoke(app, arguments, env={"COLUMNS": "80"})
    assert first.exit_code == 0, first.output
    assert "…" not in first.stdout
    names = {p.name for p in tmp_path.iterdir()}
    assert names == {"b.h5", "b.csv", "b-losses.png", "b-spread.png", "b-convergence.png"}
    again = runner.invoke(app, [*arguments, "--no-figures", "--json"])
    facts = json.loads(again.stdout)
    assert "nothing is computed again" in " ".join(again.stderr.split())
    assert facts["indices"]["laser"]["base"] == [64]
    odd = runner.invoke(app, ["blame", str(COURTYARD), "--rows", "100"])
    assert odd.exit_code == 2
    assert "power of two" in odd.output
