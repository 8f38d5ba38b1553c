"""How exactly facets must be set: closed forms, conversions, go/no-go, spread, same bits."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from checks import ALPHA, PERFECT, SIGMAS, ensemble_of_one, mean_p, one_facet, point_sun, welch_p
from pictures import flaws
from scipy import stats
from screen import printed
from store.test_results import same
from typer.testing import CliRunner

from raytrace import load_scenario, read_result, tolerance
from raytrace.cli import app
from raytrace.cooker.mirror import Mirror
from raytrace.cooker.tolerances import (
    SETTING,
    Rig,
    Tolerances,
    draw_builds,
    laser_spots,
    setting_sigma,
    standard_normals,
)
from raytrace.exceptions import SettingsError, StoreError, StudyError
from raytrace.light.ensemble import Spread, binomial_interval, design_ensemble
from raytrace.light.setup import LightSettings
from raytrace.reports.common.numbers import plain as rounded
from raytrace.reports.tolerance.tolerance import sentences, tolerance_tables
from raytrace.reports.tolerance.tolerance_figures import figures
from raytrace.store.plain import plain
from raytrace.studies.tolerance.go_no_go import share_over, under_limit
from raytrace.studies.tolerance.sweep import TolerancePlan, iter_levels, levels_like
from raytrace.studies.tolerance.threshold import largest_keeping
from raytrace.studies.tolerance.tolerance import put_together

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COURTYARD = SCENARIOS / "courtyard.toml"
TINY = 1e-7  # half-size of a mirror that adds nothing to its image [m]
SMALL = TolerancePlan(levels=(0.0, 6e-3, 15e-3), builds=40, seed=5)


@pytest.fixture(scope="module")
def study():
    return tolerance(load_scenario(COURTYARD), SMALL)


@pytest.fixture(scope="module")
def ensemble():
    return design_ensemble(load_scenario(COURTYARD), seed=SMALL.seed, replicates=SMALL.replicates)


def one_facet_ensemble(theta, d, R, *, mirror=PERFECT, tolerances=None, half=TINY):
    """Ensemble of one facet whose base is square to the beam, under a sun without breadth."""
    cooker, s = one_facet(theta, d, half=half, R=R, mirror=mirror, height=1e-3)
    return ensemble_of_one(
        cooker, s, tolerances or Tolerances(), point_sun(), LightSettings(1, 2, 11)
    )


# --- closed forms -----------------------------------------------------------------------------


@pytest.mark.parametrize("ratio", [0.7, 1.6])
def test_mean_intercept_over_builds_is_the_rayleigh_distribution(ratio):
    """1 − exp(−R²/2s²), s² = (2 σ_set d)² + (2 σ_slope d)²; Student's t, false alarm ALPHA.

    A builds' spread and a mirror's waviness are both Gaussian turns of the normal, so that over
    the ensemble their variances add. Incidence 0.004, so that the pot does not shade: that and
    tan(x) for x cost 6e-6 at most.
    """
    sigma, slope, d = 0.6e-3, 0.4e-3, 1.5
    s = 2.0 * d * np.hypot(sigma, slope)
    ensemble = one_facet_ensemble(0.004, d, ratio * s, mirror=Mirror(clean=1.0, slope=slope))
    plan = TolerancePlan(levels=(sigma,), builds=12_000, further=False, seed=ensemble.settings.seed)
    level = {x.name: x for x in iter_levels(ensemble, plan)}["setting/001"]
    x = level.intercepts.mean(axis=1)
    assert mean_p(x, -np.expm1(-0.5 * ratio**2), slack=6e-6) > ALPHA
    # and it can fail: without the mirror's part the share would be another
    alone = 2.0 * d * sigma
    assert mean_p(x, -np.expm1(-0.5 * (ratio * s / alone) ** 2), slack=6e-6) < ALPHA
    # the study's own standard error is the one of independent builds
    assert level.intercept.se == pytest.approx(stats.sem(x), rel=1e-12)


def test_sigma_to_miss_at_normal_incidence_is_twice_over_the_distance():
    # Plane mirror: a turn by ε moves the beam by 2 ε, the spot by 2 ε d on each axis.
    # Incidence 0.001, so that the pot does not shade: its cosine is 1 to 5e-7.
    d, sigma = 1.7, 3e-3
    ensemble = one_facet_ensemble(1e-3, d, 1e-3)
    plan = TolerancePlan(levels=(sigma,), builds=2, further=False)
    level = {x.name: x for x in iter_levels(ensemble, plan)}["setting/001"]
    assert level.miss == pytest.approx(2.0 * np.sqrt(2.0) * sigma * d, rel=1e-6)


@pytest.mark.parametrize("degrees", [20.0, 50.0, 70.0])
def test_sigma_to_miss_off_normal_incidence(degrees):
    # Vector reflection: 2 ε in the plane of incidence, 2 ε cos θᵢ across it.
    d, sigma, theta = 1.2, 2e-3, np.radians(degrees)
    ensemble = one_facet_ensemble(theta, d, 0.1)
    plan = TolerancePlan(levels=(sigma,), builds=2, further=False)
    level = {x.name: x for x in iter_levels(ensemble, plan)}["setting/001"]
    assert level.miss == pytest.approx(2.0 * sigma * d * np.hypot(1.0, np.cos(theta)), rel=1e-6)
    # and back: a sweep over misses has the σ that gives them
    back = TolerancePlan(levels=(level.miss,), kind="miss", builds=2, further=False)
    again = {x.name: x for x in iter_levels(ensemble, back)}["setting/001"]
    assert again.sigma == pytest.approx(sigma, rel=1e-6)
    assert again.miss == pytest.approx(level.miss, rel=1e-12)


def test_miss_of_a_level_is_what_exact_reflection_gives():
    """Spots of 300 builds of the courtyard by exact reflection; false alarm ALPHA.

    32 400 squares of normals, whose mean has a relative standard error of √2/√32 400, half of
    that for its root; facets lie at different distances, which doubles it at most.
    """
    ensemble = design_ensemble(load_scenario(COURTYARD), seed=3)
    sigma = 2e-3
    plan = TolerancePlan(levels=(sigma,), builds=2, further=False, seed=3)
    level = {x.name: x for x in iter_levels(ensemble, plan)}["setting/001"]
    drawn = draw_builds(ensemble.cooker, Tolerances(setting=sigma), seed=3, builds=np.arange(300))
    spots = np.array([laser_spots(ensemble.cooker, Rig(), normals=n) for n in drawn.n])
    rms = np.sqrt(((spots - ensemble.cooker.aim) ** 2).sum(axis=2).mean())
    assert level.miss == pytest.approx(rms, rel=SIGMAS * 2.0 * 0.5 * np.sqrt(2.0 / 32_400))


# --- go/no-go ---------------------------------------------------------------------------------

SLANTED = np.array([[[2.4, 0.3], [0.1, 1.1], [0.0, 0.0]]])


def redone_by_hand(rng, J, sigma, limit, count):
    """Setting errors drawn again until the miss is under the limit."""
    kept = np.zeros((0, 2))
    while len(kept) < count:
        tried = sigma * rng.standard_normal((4 * count, 2))
        kept = np.concatenate([kept, tried[np.linalg.norm(tried @ J.T, axis=1) <= limit]])
    return kept[:count]


@pytest.mark.parametrize("limit", [1.5e-3, 5e-3, 12e-3])
def test_facets_under_a_limit_are_as_if_set_again_until_they_pass(limit):
    """Two-sample Kolmogorov-Smirnov of the miss and of both turns, 20 000 each; ALPHA."""
    sigma, count = 2e-3, 20_000
    rng = np.random.default_rng(8)
    z = rng.standard_normal((count, 1, 2))
    got = under_limit(z, SLANTED, np.array([sigma]), limit)[:, 0]
    want = redone_by_hand(rng, SLANTED[0], sigma, limit, count)
    miss, miss_by_hand = (np.linalg.norm(x @ SLANTED[0].T, axis=1) for x in (got, want))
    assert miss.max() <= limit * (1.0 + 1e-9)
    for a, b in ((miss, miss_by_hand), (got[:, 0], want[:, 0]), (got[:, 1], want[:, 1])):
        assert stats.ks_2samp(a, b).pvalue > ALPHA / 3
    # and it can fail: to clamp at the limit, or to skip the check, is seen
    loose = sigma * z[:, 0]
    if limit < 12e-3:
        loose_miss = np.linalg.norm(loose @ SLANTED[0].T, axis=1)
        assert stats.ks_2samp(np.minimum(loose_miss, limit), miss_by_hand).pvalue < ALPHA
        assert stats.ks_2samp(loose_miss, miss_by_hand).pvalue < ALPHA


def test_share_over_a_limit_is_counted_right():
    """Binomial, two-sided, 200 000 draws by hand; false alarm ALPHA."""
    sigma, limit, count = 2e-3, 4e-3, 200_000
    miss = np.linalg.norm(
        sigma * np.random.default_rng(2).standard_normal((count, 2)) @ SLANTED[0].T, axis=1
    )
    share = float(share_over(SLANTED, np.array([sigma]), limit)[0])
    assert stats.binomtest(int((miss > limit).sum()), count, share).pvalue > ALPHA


def test_a_limit_far_off_changes_nothing_and_one_of_zero_leaves_no_error():
    z = np.random.default_rng(4).standard_normal((500, 1, 2))
    far = under_limit(z, SLANTED, np.array([2e-3]), 1.0)
    np.testing.assert_allclose(far, 2e-3 * z, rtol=1e-6, atol=1e-12)
    assert not under_limit(z, SLANTED, np.array([2e-3]), 0.0).any()


def test_a_workshop_without_skill_fills_the_limit_evenly():
    """An even disc: squared radius and angle are uniform; Kolmogorov-Smirnov, 20 000, ALPHA."""
    z = np.random.default_rng(6).standard_normal((20_000, 1, 2))
    at = under_limit(z, SLANTED, None, 7e-3)[:, 0] @ SLANTED[0].T
    assert stats.kstest((np.linalg.norm(at, axis=1) / 7e-3) ** 2, "uniform").pvalue > ALPHA
    angle = np.arctan2(at[:, 1], at[:, 0]) / (2.0 * np.pi) + 0.5
    assert stats.kstest(angle, "uniform").pvalue > ALPHA


def test_the_watts_under_a_limit_are_those_of_facets_set_again_by_hand():
    """A careless workshop of the courtyard, 60 builds either way; Welch's t, false alarm ALPHA."""
    scenario = load_scenario(COURTYARD, ['errors.setting="70 mm"'])
    plan = TolerancePlan(levels=(0.0, 10e-3, 20e-3, 30e-3), builds=60, seed=9)
    study = tolerance(scenario, plan)
    level = next(x for x in study.family("checked") if 0.3 < x.redone < 0.7)
    ensemble = design_ensemble(scenario, seed=plan.seed, replicates=plan.replicates)
    rng = np.random.default_rng(1)
    sigma = setting_sigma(ensemble.cooker, ensemble.tolerances)
    by_hand = np.stack(
        [
            redone_by_hand(rng, J, s, level.limit, plan.builds)
            for J, s in zip(study.jacobian, sigma, strict=True)
        ],
        axis=1,
    )
    watts = ensemble.trace(ensemble.tolerances, np.arange(plan.builds), rotations=by_hand)
    assert welch_p(watts.builds, level.builds) > ALPHA
    assert welch_p(study.own.builds, level.builds) < ALPHA
    # the limits found keep their share, more for a tighter one, and this workshop needs them
    kept = [k for k in study.kept if k.of == "exactly set"]
    assert kept[0].limit.known
    assert kept[0].limit.value < kept[1].limit.value
    assert kept[0].limit.low <= kept[0].limit.value <= kept[0].limit.high
    assert 0.0 < kept[0].redone.low < kept[0].redone.value < kept[0].redone.high < 1.0
    # truncated normals lie closer in than an even disc does, so "any workshop" is the stricter
    assert all(k.limit_any.value < k.limit.value for k in kept if k.limit.known)
    assert "done again" in " ".join(sentences(study))


# --- spread, percentiles, yield, what a share demands -----------------------------------------


def test_percentiles_agree_with_scipy(study):
    # R. J. Hyndman and Y. Fan, Am. Stat. 50 (1996) 361-365, definition 7 (αp = βp = 1).
    for level in study.levels:
        builds = level.builds
        want = stats.mstats.mquantiles(builds, [0.1, 0.5, 0.9], alphap=1.0, betap=1.0)
        got = [x.value for x in (level.power.p10, level.power.p50, level.power.p90)]
        np.testing.assert_allclose(got, want, rtol=1e-12)


def test_tracing_noise_and_builds_spread_are_told_apart():
    """Normal numbers of known variances; χ² and the delta method, false alarm ALPHA each."""
    rng = np.random.default_rng(3)
    B, r, between, within = 4000, 4, 2.0, 3.0
    x = 50.0 + between * rng.standard_normal((B, 1)) + within * rng.standard_normal((B, r))
    got = Spread.of(x)
    # of s² = a − b / r, a and b independent χ² over B − 1 and B (r − 1); over 4 s² that of s
    a, b = between**2 + within**2 / r, within**2
    error = np.sqrt(2.0 * a**2 / (B - 1) + 2.0 * (b / r) ** 2 / (B * (r - 1))) / (2.0 * between)
    assert abs(got.sd - between) < SIGMAS * error
    squares = B * (r - 1) * (got.se_tracing * np.sqrt(B * r) / within) ** 2
    law = stats.chi2(B * (r - 1))
    assert 2.0 * min(law.cdf(squares), law.sf(squares)) > ALPHA
    assert got.se == pytest.approx(stats.sem(x.mean(axis=1)), rel=1e-12)


@pytest.mark.parametrize(("k", "n"), [(0, 7), (3, 40), (40, 40), (191, 200)])
def test_yield_interval_is_the_exact_binomial_one(k, n):
    want = stats.binomtest(k, n).proportion_ci(method="exact")
    np.testing.assert_allclose(binomial_interval(k, n), (want.low, want.high), atol=1e-12)


def test_where_a_known_curve_meets_a_level():
    x = np.linspace(0.0, 3.0, 25)
    y = np.exp(-0.5 * x**2)
    got = largest_keeping(x, y, np.zeros(25), 0.8, df=100)
    assert got.value == pytest.approx(np.sqrt(-2.0 * np.log(0.8)), rel=2e-4)
    assert (got.low, got.high) == (got.value, got.value)
    # a straight line: the bounds are t·se over the slope
    line = largest_keeping(x, 1.0 - 0.2 * x, np.full(25, 0.01), 0.8, df=199)
    half = stats.t.ppf(0.975, 199) * 0.01 / 0.2
    assert (line.low, line.value, line.high) == pytest.approx((1.0 - half, 1.0, 1.0 + half))
    assert largest_keeping(x, y, np.zeros(25), 1.1, df=9).value == 0.0
    assert largest_keeping(x, y + 1.0, np.zeros(25), 0.9, df=9).value == np.inf
    # noise that makes neighbours rise does not make a second crossing
    bumpy = y.copy()
    bumpy[7], bumpy[8] = y[8], y[7]
    assert largest_keeping(x, bumpy, np.zeros(25), 0.8, df=9).known


def test_the_largest_miss_keeps_its_share_when_it_is_traced(study, ensemble):
    """The same builds at the σ found give the share; 0.3 % is left for the interpolation."""
    kept = {(k.of, k.share): k for k in study.kept}
    for share in (0.95, 0.9, 0.8):
        found = kept["no errors", share]
        assert found.miss.low < found.miss.value < found.miss.high
        level = (found.sigma.value,)
        again = TolerancePlan(levels=level, builds=SMALL.builds, further=False, seed=SMALL.seed)
        traced = {x.name: x for x in iter_levels(ensemble, again)}["setting/001"]
        got = traced.power.mean / study.no_errors.power.mean
        assert got == pytest.approx(share, abs=0.003)
        assert traced.miss == pytest.approx(found.miss.value, rel=0.01)


def test_the_verdict_follows_the_builds_and_the_watts_asked_for(study):
    builds = np.sort(study.own.builds)
    asked = study.wanting(builds[0] - 0.1), study.wanting(builds[4]), study.wanting(builds[20])
    assert [x.enough for x in asked] == ["yes", "borderline", "no"]
    assert [sentences(x)[0].split(":")[0] for x in asked] == ["Yes", "Borderline", "No"]
    assert "40 of 40 builds" in sentences(asked[0])[0]
    # more than exactly set facets bring: no better setting helps, and none is advised
    beyond = study.wanting(1.01 * study.no_errors.power.mean)
    assert beyond.largest.value == 0.0
    assert "not the cure" in sentences(beyond)[0]


def test_nine_of_ten_builds_reach_the_watts_at_the_largest_miss(study, ensemble):
    """The same builds traced at it; a tenth of 40 is 4, one more or less by the interpolation."""
    asked = study.wanting(190.0)
    sigma = asked.largest.value / study.miss_per_sigma
    again = TolerancePlan(levels=(sigma,), builds=SMALL.builds, further=False, seed=SMALL.seed)
    traced = {x.name: x for x in iter_levels(ensemble, again)}["setting/001"]
    assert 3 <= (traced.builds < 190.0).sum() <= 5


def test_one_table_never_holds_both_ways_of_stating_the_setting_error():
    scenario = load_scenario(COURTYARD)
    few = {"builds": 8, "further": False}
    for kind, levels in (("angle", (0.0, 5e-3)), ("miss", (0.0, 20e-3))):
        found = tolerance(scenario, TolerancePlan(levels=levels, kind=kind, **few))
        text = printed(tolerance_tables(found))
        assert found.alike == (kind == "miss")
        assert ("8.0*" in text) == found.alike
        assert f"the same {kind} for every facet" in text
    assert levels_like(scenario)[1] == "miss"
    by_angle = load_scenario(COURTYARD, ['errors.setting="3 mrad"'])
    assert levels_like(by_angle, 4) == ((0.0, 5e-3, 10e-3, 15e-3), "angle")


def test_pictures_can_be_read(study):
    assert flaws(*figures(study).values()) == []


def test_sentences_say_what_the_figures_are(study):
    asked = study.wanting(195.0)
    text = " ".join(sentences(asked))
    facts = plain(asked)
    for kept in facts["kept"]:
        if kept["of"] == "no errors":
            assert f"{100 * kept['share']:.0f} % within {kept['miss_mm']['value']:.3g}" in text
            assert f"{rounded(kept['limit_any_mm']['value'], 3)} mm" in text
    reaching = (study.own.builds >= 195.0).sum()
    assert f"{reaching} of 40 builds reach 195 W" in text
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts


def test_a_share_that_other_errors_take_is_refused_in_words():
    scenario = load_scenario(COURTYARD, ['errors.pot.bias=["0 mm", "90 mm", "0 mm"]'])
    study = tolerance(scenario, TolerancePlan(levels=(0.0, 5e-3), builds=10))
    first = study.kept[0]
    assert first.miss.value == 0.0
    assert "no setting keeps 95" in sentences(study)[1].lower()


def test_without_other_errors_exactly_set_is_no_errors():
    """Same integral by other samples; Welch's t over builds and replicates, false alarm ALPHA."""
    scenario = load_scenario(COURTYARD)
    study = tolerance(
        scenario, TolerancePlan(levels=(0.0, 4e-3), builds=60, others=False, further=False)
    )
    exact, none = study.sweep[0], study.no_errors
    assert welch_p(exact.delivered.ravel(), none.delivered.ravel()) > ALPHA
    assert exact.power.sd < 1e-3 * exact.power.mean


# --- the same bits ----------------------------------------------------------------------------


@pytest.mark.parametrize("threads", [1, 2])
def test_threads_change_no_bit(study, threads):
    same(study, tolerance(load_scenario(COURTYARD), SMALL, threads=threads))


@pytest.mark.parametrize("stop", [2, 5, 9])  # within the sweep, at its end, within the limits
def test_a_study_that_is_stopped_and_continued_has_the_bits_of_an_unbroken_one(
    study, tmp_path, stop
):
    scenario, path = load_scenario(COURTYARD), tmp_path / "study.h5"
    seen: list[tuple[float, float]] = []

    def stopped(done, total):
        seen.append((done, total))
        if len(seen) == stop:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        tolerance(scenario, SMALL, path=path, progress=stopped)
    assert [p.name for p in tmp_path.iterdir()] == ["study.parts"]
    kept = (stop - 1) * SMALL.builds  # the one that was traced last isn't kept yet
    same(study, tolerance(scenario, SMALL, path=path, progress=lambda *x: seen.append(x)))
    assert seen[stop][0] == kept + SMALL.builds
    assert all(done <= total for done, total in seen)
    assert seen[-1] == (SMALL.builds * len(study.levels),) * 2
    same(study, read_result(path, "tolerance"))
    assert [p.name for p in tmp_path.iterdir()] == ["study.h5"]


def test_levels_that_are_missing_are_named(study, ensemble):
    with pytest.raises(StudyError, match="not done: scenario"):
        put_together(ensemble, SMALL, [study.no_errors, *study.sweep])


def test_a_results_file_is_opened_by_other_programs_and_asked_for_other_watts(study, tmp_path):
    scenario, path = load_scenario(COURTYARD), tmp_path / "study.h5"
    found = tolerance(scenario, SMALL, watts=195.0, path=path)
    same(found, study.wanting(195.0))
    same(found, read_result(path).wanting(195.0))
    with xr.open_dataset(path) as data:
        assert data["levels.power.mean"].dims == ("level",)
        assert data["levels.power.mean"].attrs["units"] == "W"
        assert data["levels.intercept.p10.low"].attrs["units"] == "1"
        assert data["kept.sigma.value"].attrs["units"] == "rad"
        assert data["level"].values.tolist() == [x.name for x in study.levels]
    with pytest.raises(StoreError, match="builds: 40 there, 41 now"):
        tolerance(scenario, replace(SMALL, builds=41), path=path)


def test_builds_are_the_same_in_ensembles_of_any_size_and_alone(study, ensemble):
    """Build 30 of 40 is build 30 of 300, in another block, and `as_built`'s build 30."""
    few = study.own.delivered
    plan = replace(SMALL, builds=300, further=False)
    many = {x.name: x for x in iter_levels(ensemble, plan)}["scenario"].delivered
    assert np.array_equal(many[:40], few)
    alone = ensemble.trace(ensemble.tolerances, np.array([30]))
    assert np.array_equal(alone.delivered[0], few[30])


def test_a_mirrored_build_has_the_opposite_draws():
    row, column = np.array([1, 2]), np.array([3, 4])
    z = standard_normals(7, SETTING, [5, ~5, 0, ~0], row, column, 2)
    assert np.array_equal(z[1], -z[0])
    assert np.array_equal(z[3], -z[2])


# --- the command ------------------------------------------------------------------------------

ARGUMENTS = ["tolerance", str(COURTYARD), "--levels", "0, 6, 15 mrad", "--builds", "12"]


def test_command_stops_goes_on_and_agrees_with_an_unbroken_run(tmp_path, monkeypatch):
    from raytrace.studies.tolerance import tolerance as module

    runner = CliRunner()
    broken, whole = tmp_path / "broken.h5", tmp_path / "whole.h5"
    original = module.iter_levels

    def cut_short(*args, **options):
        for k, level in enumerate(original(*args, **options)):
            if k == 3:
                raise KeyboardInterrupt
            yield level

    monkeypatch.setattr(module, "iter_levels", cut_short)
    stopped = runner.invoke(app, [*ARGUMENTS, "-o", str(broken), "--no-figures"])
    assert stopped.exit_code == 130
    assert "the same command to go on" in " ".join(stopped.stderr.split())
    monkeypatch.undo()
    on = runner.invoke(app, [*ARGUMENTS, "-o", str(broken), "--json"])
    assert on.exit_code == 0, on.output
    assert "holds 3 finished parts" in " ".join(on.stderr.split())
    straight = runner.invoke(app, [*ARGUMENTS, "-o", str(whole), "--json", "--threads", "1"])
    a, b = (json.loads(x.stdout) for x in (on, straight))
    assert a.pop("files") != b.pop("files")
    assert a == b
    written = sorted(p.name for p in tmp_path.iterdir())
    assert written == [f"{stem}{end}" for stem in ("broken", "whole")
                       for end in ("-limit.png", "-sweep.png", ".csv", ".h5")]  # fmt: skip
    header = whole.with_suffix(".csv").read_text().splitlines()[0]
    assert {"miss_mm", "power.mean_W", "yields.low"} <= set(header.split(","))


@pytest.mark.parametrize("setting", ["8 mm", "75 mm"])
def test_tables_fit_a_narrow_terminal(setting):
    arguments = [*ARGUMENTS, "--no-files", "--set", f'errors.setting="{setting}"']
    result = CliRunner().invoke(app, arguments, env={"COLUMNS": "80"})
    assert result.exit_code == 0
    assert "…" not in result.stdout
    assert "Go/no-go" in result.stdout


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ("0..15", "no unit"),
        ("0..15 kg", "angle"),
        ("3, 2 mm, 1 mrad", "not both"),
        ("-1..5 mm", "none negative"),
        ("5..2 mm", "must rise"),
        ("1..2..3 mm", "range"),
        ("0 mrad", "one over 0"),
    ],
)
def test_levels_that_mean_nothing_are_told(levels, words):
    result = CliRunner().invoke(app, ["tolerance", str(COURTYARD), "--levels", levels])
    assert result.exit_code == 2
    assert words in " ".join(result.output.replace("│", " ").split())


@pytest.mark.parametrize(
    "change", [{"levels": ()}, {"levels": (-1.0,)}, {"builds": 1}, {"replicates": 1}, {"kind": "x"}]
)
def test_plans_that_mean_nothing_are_refused(change):
    with pytest.raises(SettingsError):
        TolerancePlan(**change)
