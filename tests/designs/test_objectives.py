"""What a design yields: averages over builds and suns, costs, and their standard errors."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from checks import ALPHA, SUN_RADIUS, apart_p, errors_p, mean_p, one_facet, welch_p
from scipy import stats

from raytrace import load_scenario
from raytrace.cooker.geometry import build_cooker
from raytrace.exceptions import ScenarioError, SettingsError, SkyError
from raytrace.light.ensemble import design_ensemble
from raytrace.light.expected import Expected, _rotation
from raytrace.optics.tally import BASE, LINES
from raytrace.optics.tracing import trace
from raytrace.sky.sunshape import sunshape
from raytrace.statistics.estimate import Estimate
from raytrace.studies.cooking.pots import nudged
from raytrace.studies.cooking.season import SeasonPlan, season
from raytrace.studies.designs.objectives import (
    OUTCOMES,
    SHARES,
    Ask,
    cost_of,
    estimate,
    measure,
    setup_hours,
    sized,
)
from raytrace.studies.trace.run import run_design

COURTYARD = "scenarios/courtyard.toml"
EXACT = {
    "errors.setting": "0 mm",
    "errors.placement_xy": "0 mm",
    "errors.placement_z": "0 mm",
    "errors.roll": "0 deg",
    "errors.rig.hit": "0 mm",
    "errors.pot.rms": "[0 mm, 0 mm, 0 mm]",
}
STEADY = {f"errors.pointing.{name}_rms": "0 deg" for name in ("heading", "tilt", "cross")}
SMALL = {"facets.rows": "3", "facets.columns": "4"}
YEAR = tuple(dt.date(2026, 1, 1) + dt.timedelta(days=k) for k in range(365))


@pytest.fixture(scope="module")
def courtyard():
    return load_scenario(COURTYARD)


@pytest.fixture(scope="module")
def wild():
    """Errors so large that their average is far from the perfect cooker's watts."""
    more = {"errors.setting": "40 mm", "errors.pointing.heading_rms": "2 deg"}
    return load_scenario(COURTYARD, SMALL | more | {"errors.pot.rms": "[40 mm, 40 mm, 20 mm]"})


# --- the average over builds ------------------------------------------------------------------


def averages(scenario, seed=1):
    """The same mean by two ways: spread evenly, 32 replicates; and 1 500 builds drawn one by one.

    The second is the ensemble of `cooker tolerance`, with draws and poses of its own code.
    """
    even = Expected(scenario, build_cooker(scenario), 32, seed=seed).at_design(16)[:, BASE]
    ensemble = design_ensemble(scenario, seed=seed + 1, beams=1, replicates=2)
    drawn = ensemble.trace(ensemble.tolerances, np.arange(1500)).builds
    return even, drawn


def test_spread_luck_has_the_same_mean_as_drawn_luck(wild):
    """Welch's t; false alarm ALPHA. The mean lies surely below the perfect cooker."""
    even, drawn = averages(wild)
    assert welch_p(even, drawn) > ALPHA
    perfect = measure(wild.varied(EXACT | STEADY), Ask())["watts"][0]
    assert perfect > drawn.mean()
    assert mean_p(drawn, perfect) < ALPHA
    # and 16 builds at a time leave surely less variance than 16 that are drawn: F
    assert stats.f.cdf(16.0 * even.var(ddof=1) / drawn.var(ddof=1), 31, 1499) < ALPHA


def test_the_check_of_means_can_fail(wild):
    """A pot put 3 mm less well is seen by the same check."""
    even, _ = averages(wild.varied({"errors.pot.rms": "[48 mm, 48 mm, 20 mm]"}))
    assert welch_p(even, averages(wild)[1]) < ALPHA


def test_luck_is_turned_and_not_stretched(courtyard):
    """The first two normals carry all that moves the mean spot; the rotation is one."""
    expected = Expected(courtyard, build_cooker(courtyard), 2)
    turn = expected._turn
    np.testing.assert_allclose(turn @ turn.T, np.eye(6), atol=1e-12)
    sun = np.full(7, courtyard.design.sun_altitude)
    draw = np.concatenate([np.zeros((1, 6)), 1e-4 * np.eye(6)]) @ turn.T
    seen = expected._stood((sun, 0.0 * sun), *expected._put(draw))
    s, base, axis = seen.suns, seen.base, seen.axis
    f = expected.cooker.facets
    r = 2.0 * (s @ f.n.T)[..., None] * f.n - s[:, None]
    k = ((base[:, None] - f.c) * axis[:, None]).sum(2) / (r * axis[:, None]).sum(2)
    spot = (f.c + k[..., None] * r - base[:, None]).mean(axis=1)
    moved = np.linalg.norm(spot[1:] - spot[0], axis=1) / 1e-4
    assert (moved[:2] > 5e-3).all()  # metres a standard deviation
    assert (moved[2:] < 1e-3 * moved[0]).all()


def standard_errors_p(scenario, ask, name, count=32):
    """F of the spread of an outcome over seeds against the standard errors that it states."""
    got = [estimate(measure(scenario, replace(ask, seed=k))[name]) for k in range(count)]
    return errors_p([float(x) for x in got], [float(x.se) for x in got], ask.replicates - 1)


@pytest.mark.parametrize("name", ["watts", "intercept", "missed share"])
def test_standard_errors_at_the_design_sun_are_honest(wild, name):
    """F test over 32 seeds; false alarm ALPHA each."""
    ask = Ask(outcomes=(name,), points=4)
    assert standard_errors_p(wild, ask, name) > ALPHA


def test_standard_errors_of_a_season_are_honest(wild):
    """F test over 32 seeds; false alarm ALPHA."""
    hours = (9 * 3600.0, 12 * 3600.0)
    ask = Ask(outcomes=("season energy",), sun_positions=16, dates=YEAR[::180], hours=hours)
    assert standard_errors_p(wild, ask, "season energy") > ALPHA


def test_standard_errors_of_a_difference_are_honest_and_small(wild):
    """F test over 32 seeds; false alarm ALPHA. Shared draws make it a fraction of either's."""
    larger = wild.varied({"facets.columns": "5"})
    values, errors, alone = [], [], []
    for seed in range(32):
        ask = Ask(points=4, seed=seed)
        one, two = (measure(s, ask)["watts"] for s in (wild, larger))
        gap = estimate(two - one)
        values.append(float(gap))
        errors.append(float(gap.se))
        alone.append(np.hypot(float(estimate(one).se), float(estimate(two).se)))
    assert errors_p(values, errors, 7) > ALPHA
    assert np.mean(errors) < 0.6 * np.mean(alone)


def test_every_pair_of_neighbours_shares_its_luck(courtyard):
    """Pots 20 mm further each: the error of a step is a sixth of what it is without, or less."""
    pots = [
        measure(courtyard.varied({"pot.place[2]": f"{-mm} mm"}), Ask())["watts"]
        for mm in range(620, 740, 20)
    ]
    for one, two in pairwise(pots):
        alone = np.hypot(float(estimate(one).se), float(estimate(two).se))
        assert float(estimate(two - one).se) < alone / 6.0


@pytest.mark.parametrize("seed", range(4))
def test_the_rotation_of_draws_is_continuous(seed):
    """Moves that differ by rounding, of either sign, or that are rounding, turn draws alike."""
    rng = np.random.default_rng(seed)
    moves = rng.normal(size=(6, 2))
    moves[[3, 4], [0, 1]] = -np.abs(moves[[3, 4], [0, 1]])  # the pot's own moves
    if seed:  # a cooker that is the same left and right, as most are
        moves[[1, 4, 5], 0] = moves[[0, 2, 3], 1] = 0.0
    if seed == 2:
        moves[:, 1] = 0.0  # no error moves the spot that way
    turn = _rotation(moves)
    np.testing.assert_allclose(turn @ turn.T, np.eye(6), atol=1e-12)
    np.testing.assert_allclose(turn.T[2:] @ moves, 0.0, atol=1e-12)
    for sign in (-1.0, 1.0):
        near = _rotation(moves + sign * 1e-12 * rng.random((6, 2)))
        np.testing.assert_allclose(near, turn, atol=1e-10)


KERNELS = """
import datetime as dt, hashlib
import numpy as np
from raytrace import load_scenario
from raytrace.studies.designs.objectives import Ask, measure
square = np.random.default_rng(1).random((64, 64))
print(hashlib.sha1((square @ square).tobytes()).hexdigest())
days = (dt.date(2026, 3, 20),)
ask = Ask(outcomes=("watts", "season energy"), sun_positions=4, dates=days, replicates=3)
for x in measure(load_scenario("scenarios/school-kitchen.toml"), ask, threads=1).values():
    print(hashlib.sha1(x.tobytes()).hexdigest())
"""


def test_same_bits_whatever_the_processors_linear_algebra():
    """Two kernels of OpenBLAS, as two processors would pick them; a product shows they differ."""
    said = [
        subprocess.run(
            [sys.executable, "-c", KERNELS], env=os.environ | {"OPENBLAS_CORETYPE": kernel},
            capture_output=True, text=True, check=True,
        ).stdout.splitlines()
        for kernel in ("Haswell", "Nehalem")
    ]  # fmt: skip
    if said[0][0] == said[1][0]:
        pytest.skip("numpy's linear algebra has one kernel here")
    assert said[0][1:] == said[1][1:]
    assert len(said[0]) == 3


def test_a_better_mirror_is_better_by_its_share_alone(courtyard):
    """Reflectance scales the watts: with shared random draws the difference is exact to 1e-9."""
    better = courtyard.varied({"mirror.reflectance": "0.88"})
    one, two = (measure(s, Ask())["watts"] for s in (courtyard, better))
    gap = estimate(two - one * 0.88 / 0.85)
    assert abs(float(gap)) < 1e-9 * one[0]
    assert float(estimate(two - one).se) < 0.05 * float(estimate(one).se)


def test_same_bits_for_any_number_of_threads_and_streams_apart(courtyard):
    ask = Ask(outcomes=("watts", "season energy"), sun_positions=16, dates=YEAR[::60])
    one, three = (measure(courtyard, ask, threads=t) for t in (1, 3))
    other = measure(courtyard, replace(ask, stream=1))
    for name in ask.outcomes:
        assert one[name].tobytes() == three[name].tobytes()
        assert not (one[name][1:] == other[name][1:]).any()
        assert apart_p(estimate(one[name]), estimate(other[name])) > ALPHA / 2


def test_shares_of_the_sunlight_add_up(courtyard):
    got = measure(courtyard, Ask(outcomes=(*SHARES, "watts", "intercept")))
    np.testing.assert_allclose(sum(got[name] for name in SHARES), 1.0, atol=1e-12)
    leaving = sum(got[f"{line} share"] for line in ("missed", "side", "lid", "base"))
    np.testing.assert_allclose(got["intercept"], got["base share"] / leaving, rtol=1e-12)
    assert tuple(name.removesuffix(" share") for name in SHARES) == LINES


# --- money and work ---------------------------------------------------------------------------


def test_cost_is_that_of_a_bill_written_by_hand():
    """12 tiles of 0.1 m: 0.12 m² at 30, 12 mounts at 2, 50 fixed, 12 × (3 + 2 + 4 + 1) min + 4 h at
    6 an hour.

    3.60 + 24 + 50 + 36, added here.
    """
    scenario = load_scenario(
        COURTYARD,
        SMALL
        | {"cost.mirror": "30", "cost.facet": "2", "cost.fixed": "50", "cost.wage": "6",
           "workshop.spare": "0 %", "workshop.mount_work": "2 min", "workshop.fixed_work": "4 h"},
    )  # fmt: skip
    cooker = build_cooker(scenario)
    assert setup_hours(scenario, cooker) == pytest.approx(6.0 * 3600.0)
    assert cost_of(scenario, cooker) == pytest.approx(3.6 + 24.0 + 50.0 + 36.0)
    got = measure(scenario, Ask(outcomes=("cost", "watts per cost", "watts", "facets")))
    assert got["cost"].tolist() == pytest.approx([113.6])
    np.testing.assert_allclose(got["watts per cost"], got["watts"] / 113.6)
    assert got["facets"].tolist() == [12.0]


# --- single builds, flux and pots -------------------------------------------------------------


def test_yield_counts_the_builds_that_tolerance_counts(courtyard):
    """The same builds, each traced by other samples: watts agree to the tracing's noise."""
    ensemble = design_ensemble(courtyard, seed=1, beams=16, replicates=2)
    numbers = np.arange(60)
    there = ensemble.trace(ensemble.tolerances, numbers).builds
    here = Expected(courtyard, ensemble.cooker, 2, beams=32).builds(60)
    np.testing.assert_allclose(here, there, rtol=2e-3)
    assert np.corrcoef(here, there)[0, 1] > 0.995
    reach = float(np.median(here))
    ask = Ask(outcomes=("yield",), reach=reach, builds=60, beams=32)
    got = estimate(measure(courtyard, ask)["yield"])
    assert float(got) == (here >= reach).mean() == 0.5
    # standard error of a share, sqrt(p q / (n - 1))
    assert float(got.se) == pytest.approx(np.sqrt(0.25 / 59.0), rel=1e-9)


def test_builds_traced_some_at_a_time_are_the_same(courtyard, monkeypatch):
    expected = Expected(courtyard, build_cooker(courtyard), 2)
    at_once = expected.builds(10)
    monkeypatch.setattr("raytrace.light.expected.TOGETHER", 4)
    assert expected.builds(10).tobytes() == at_once.tobytes()


def test_peak_flux_is_the_mean_of_builds_traced_alone(courtyard):
    """Its error is that from build to build. Tolerance 0.5 %: the noise of the maps."""
    ask = Ask(outcomes=("peak flux",), replicates=4)
    got = estimate(measure(courtyard, ask)["peak flux"])
    peaks = [
        float(run_design(courtyard, bins=32, build=k, seed=1).moments[0].tally.peak_flux)
        for k in range(4)
    ]
    assert float(got) == pytest.approx(np.mean(peaks), rel=5e-3)
    assert float(got.se) == pytest.approx(stats.sem(peaks), rel=0.1)
    assert float(got.se) > 2e-3 * float(got)


def test_boil_time_is_the_seasons(courtyard):
    """The cooker exact, so that all builds are one: the same minutes as `cooker season`."""
    hot = load_scenario("scenarios/terrace.toml", EXACT | STEADY)
    day = dt.date(2026, 3, 20)
    ask = Ask(outcomes=("boil time",), at=(day, 10 * 3600.0), replicates=4)
    got = estimate(measure(hot, ask)["boil time"])
    there = season(hot, SeasonPlan((day,), (10 * 3600.0,), refill=False))
    plain = Estimate(there.boils[0, 0], there.boils_se[0, 0], there.plan.replicates)
    assert apart_p(got, plain, slack=2.0) > ALPHA
    never = measure(courtyard, replace(ask, at=(day, 16 * 3600.0)))["boil time"]
    assert np.isnan(never).all()


def test_litres_are_the_seasons_potfuls():
    hot = load_scenario("scenarios/terrace.toml", EXACT | STEADY)
    day = dt.date(2026, 3, 20)
    hours = 9 * 3600.0, 24 * 3600.0
    ask = Ask(outcomes=("litres",), dates=(day,), hours=hours, replicates=3)
    got = estimate(measure(hot, ask)["litres"])
    there = season(hot, SeasonPlan((day,), (hours[0],)))
    potful = float(hot.kitchen.water)
    plain = Estimate(potful * there.batches[0], potful * there.batches_se[0], there.plan.replicates)
    assert apart_p(got, plain, slack=1e-5) > ALPHA


# --- what is ask ----------------------------------------------------------------------------


def test_size_is_chosen_for_the_error_wanted(wild, monkeypatch):
    """The least power of two whose error, as the pilot's falls by 1/√n, is the one wanted.

    Points that are spread evenly do no worse than that: F of the pilot's error and of one from 64
    replicates, one side, false alarm ALPHA.
    """
    target, pilot, judge = 0.004, 32, 64
    large = sized(wild, Ask(), target)
    got = float(estimate(measure(wild, replace(large, replicates=judge))["watts"]).relative_se)
    got *= np.sqrt(judge / large.replicates)
    assert stats.f.sf((got / target) ** 2, judge - 1, pilot - 1) > ALPHA
    # the check can fail: five times the error is seen
    assert stats.f.sf(25.0 * (got / target) ** 2, judge - 1, pilot - 1) < ALPHA

    def lawful(scenario, ask, **_):
        """Watts whose relative standard error is 0.3 over the root of all points."""
        z = np.random.default_rng(1).standard_normal(ask.replicates)
        z = (z - z.mean()) / z.std(ddof=1) * 0.3 / np.sqrt(ask.points)
        return {"watts": nudged(100.0 * (1.0 + z))}

    monkeypatch.setattr("raytrace.studies.designs.objectives.measure", lawful)
    for target in (0.005, 0.0071, 0.02, 0.036):
        ask = sized(wild, Ask(points=16, replicates=4), target)
        error = 0.3 / np.sqrt(ask.points * 4)
        assert target / np.sqrt(2.0) < error <= target


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"outcomes": ("wats",)}, "wats"),
        ({"outcomes": ()}, "none"),
        ({"replicates": 1}, "2 or more"),
        ({"points": 6}, "powers of two"),
        ({"outcomes": ("yield",)}, "reach must be given"),
        ({"outcomes": ("season energy",)}, "dates must be given"),
        ({"outcomes": ("boil time",)}, "at must be given"),
        ({"stream": -1}, "stream"),
    ],
)
def test_what_can_not_be_asked_is_refused(options, words):
    with pytest.raises(SettingsError, match=words):
        Ask(**options)


def test_hours_must_rise_and_a_skipped_time_is_told(courtyard):
    with pytest.raises(SettingsError, match="hours must rise"):
        Ask(hours=(3600.0, 0.0))
    berlin = courtyard.varied({"site.timezone": "Europe/Berlin", "site.horizon": ""})
    ask = Ask(outcomes=("boil time",), at=(dt.date(2026, 3, 29), 2.5 * 3600.0), replicates=2)
    with pytest.raises(SkyError, match="the clock skips"):
        measure(berlin, ask)


def test_a_design_that_can_not_be_built_is_let_through(courtyard):
    with pytest.raises(ScenarioError, match="posts"):
        measure(courtyard.varied({"facets.rows": "15"}), Ask())


def test_every_outcome_has_words_and_units_that_convert():
    assert all(outcome.words and outcome.factor > 0.0 for outcome in OUTCOMES.values())
    assert {outcome.needs for outcome in OUTCOMES.values()} == {"", "dates", "at", "reach"}


# --- geometry that a book would give ----------------------------------------------------------

# The sun subtends 32', 9.3 mrad: J. A. Duffie and W. A. Beckman, Solar Engineering of Thermal
# Processes, 4th ed., Wiley, 2013, section 1.1 (from memory). The rest is plane geometry.
SUN = sunshape("uniform", SUN_RADIUS)


def spot(width, d, *, theta=0.1, R=0.15, bins=64):
    cooker, s = one_facet(theta, d, half=0.5 * width, R=R)
    return trace(cooker, s, SUN, dni=1.0, samples=1 << 14, replicates=16, bins=bins, seed=3)


@pytest.mark.parametrize(("width", "d"), [(0.02, 1.0), (0.1, 1.0), (0.1, 3.0), (0.05, 6.0)])
def test_a_spot_is_the_facets_image_and_d_times_the_suns_breadth(width, d):
    """Mean squares add: (w cos θ)²/12 and w²/12 of the facet, (d tan 4.65 mrad)²/4 of the disc.

    From the flux map, whose bins of size b add b²/12. Student's t, false alarm ALPHA; slack 1 %:
    rim bins are cut.
    """
    theta, R, bins = 0.1, 0.15, 64
    tally = spot(width, d, theta=theta, R=R, bins=bins)
    middle = 0.5 * (tally.bin_edges[1:] + tally.bin_edges[:-1])
    power = tally.base_power
    total = power.sum(axis=(1, 2))
    measured = np.column_stack(
        [(power.sum(axis=axis) @ middle**2) / total for axis in (1, 2)]
    )  # x, then y
    disc = (d * np.tan(SUN_RADIUS)) ** 2 / 4.0
    bin_ = (2.0 * R / bins) ** 2 / 12.0
    expected = np.array([(width * np.cos(theta)) ** 2, width**2]) / 12.0 + disc + bin_
    assert mean_p(measured, expected, slack=0.01 * expected) > ALPHA
    if (disc > 0.03 * expected).all():  # the check can fail: a sun without breadth is seen
        assert mean_p(measured, expected - disc, slack=0.01 * expected) < ALPHA


def test_concentration_is_one_near_by_and_falls_with_the_square_of_distance():
    """In the core, w - 9.3 mrad d wide, one sun; beyond w / 9.3 mrad the image of the sun.

    There flux is w² cos θ / (π (d tan 4.65 mrad)²), by areas, in the image's middle, which the
    facet's own breadth does not blur. Tolerance 0.1 %: the disc is even to (4.65 mrad)².
    """
    near = spot(0.1, 1.0)
    assert float(near.concentration) == pytest.approx(1.0, abs=2e-3)
    for d in (15.0, 30.0):
        far = spot(0.02, d, R=0.6 * d * np.tan(SUN_RADIUS), bins=1)
        flux = 0.02**2 * np.cos(0.1) / (np.pi * (d * np.tan(SUN_RADIUS)) ** 2)
        assert apart_p(far.mean_flux, flux, slack=1e-3 * flux) > ALPHA / 2


def test_facets_add_watts_in_proportion_until_the_pot_is_missed():
    """Small tiles far below a large pot meet the light alike: N tiles, N times one tile's watts.

    Incidence differs by 0.2 % over the array: the tolerance. So does one tile's size, until its
    image outgrows the base; a far one brings its share R²/(d tan 4.65 mrad)² of the sun's image.
    """
    tiny = {
        "facets.width": "8 mm", "facets.pitch_x": "8.5 mm", "facets.pitch_y": "8.5 mm",
        "facets.mount_radius": "2 mm", "facets.mount_height": "2 mm",
        "pot.support.posts": "0", "pot.support.covers": "0 %", "facets.rows": "1",
        "mirror.thickness": "0 mm",
    }  # fmt: skip
    scenario = load_scenario(COURTYARD, EXACT | STEADY | tiny)
    watts = {
        n: float(measure(scenario.varied({"facets.columns": str(n)}), Ask())["watts"][0])
        for n in (1, 2, 4, 8)
    }
    for n in (2, 4, 8):
        assert watts[n] == pytest.approx(n * watts[1], rel=2e-3)
    tiles = {
        w: float(measure(scenario.varied({"facets.width": f"{w} mm", "facets.columns": "1",
                                          "facets.pitch_x": "900 mm", "facets.pitch_y": "900 mm",
                                          "facets.mount_height": "5 cm"}),
                         Ask())["watts"][0])
        for w in (50, 100, 400)
    }  # fmt: skip
    assert tiles[100] == pytest.approx(4.0 * tiles[50], rel=2e-3)
    assert tiles[400] < 0.6 * 64.0 * tiles[50]
    for R in (0.02, 0.05):
        tally = spot(0.001, 20.0, R=R, bins=1)
        share = (R / (20.0 * np.tan(SUN_RADIUS))) ** 2
        assert float(tally.intercept) == pytest.approx(share, rel=5e-3)
