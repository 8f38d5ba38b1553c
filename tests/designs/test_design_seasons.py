"""What a design yields over a season: a few suns for all of them, and suns between the hours."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from checks import ALPHA, mean_p, welch_p
from designs.test_objectives import COURTYARD, EXACT, SMALL, STEADY, YEAR
from scipy import stats

from raytrace import load_scenario
from raytrace.cooker.geometry import build_cooker
from raytrace.light.expected import Expected, season_suns
from raytrace.light.facing import facing
from raytrace.sky.clock import site_times
from raytrace.sky.sun import sun_at
from raytrace.studies.designs.objectives import Ask, estimate, measure

HOUR, DAY = 3600.0, 86400.0
EQUINOX = YEAR[78:79]  # 20 March
SEASONS = {
    "hour": (EQUINOX, (9.0, 10.0), 60),
    "day": (EQUINOX, (0.0, 24.0), 60),
    "week": (YEAR[151:158], (0.0, 24.0), 60),  # 1 to 7 June
    "year": (YEAR, (0.0, 24.0), 900),
}


@pytest.fixture(scope="module")
def courtyard():
    return load_scenario(COURTYARD)


@pytest.fixture(scope="module")
def exact(courtyard):
    """Without errors of making and turning the sun's altitude alone decides the watts."""
    return courtyard.varied(EXACT | STEADY)


def summed(scenario, dates, hours, step):
    """Energy by a sum over all suns of a clock without changes, so many seconds apart. [J]

    Each sun's watts come from a table of the altitude, a fifth of a degree fine.
    """
    clock = np.arange(hours[0] * HOUR + 0.5 * step, hours[1] * HOUR, step)
    days = np.array(dates, dtype="M8[s]")[:, None] + clock.astype("m8[s]")
    sun = sun_at(scenario, site_times(scenario.site, days.ravel().tolist()))
    lit = (sun.dni > 0.0) & (sun.alpha > 0.0)
    alpha = np.arange(sun.alpha[lit].min(), sun.alpha.max() + 4e-3, 4e-3)
    area = facing(scenario, repeats=2).turned_to(alpha).mean(axis=0)
    return float((np.interp(sun.alpha, alpha, area) * sun.dni)[lit].sum() * step)


@pytest.mark.parametrize("season", SEASONS)
def test_a_few_suns_give_the_whole_seasons_energy(exact, season):
    """Against a sum by the minute, or by 15 of a year; Student's t, false alarm ALPHA.

    20 replicates of 32 suns. What the sum's table and its tracing are off is the slack, 0.05 %.
    """
    dates, hours, step = SEASONS[season]
    there = summed(exact, dates, hours, step)
    expected = Expected(exact, build_cooker(exact), 20)
    suns = expected.suns(dates, (hours[0] * HOUR, hours[1] * HOUR))
    got = expected.over(suns, 32)
    assert mean_p(got, there, slack=5e-4 * there) > ALPHA
    # the check can fail: a thirtieth less is seen
    assert mean_p(got, there * 29.0 / 30.0, slack=5e-4 * there) < ALPHA
    assert suns[0].hours == len(dates) * (hours[1] - hours[0]) * HOUR


def test_intervals_hold_the_truth_as_often_as_they_say(exact):
    """95 % intervals of 40 seeds over that hour: binomial, false alarm ALPHA."""
    small = exact.varied(SMALL)
    dates, hours, step = SEASONS["hour"]
    there = summed(small, dates, hours, step)
    ask = Ask(
        outcomes=("season watts",),
        dates=dates,
        hours=(hours[0] * HOUR, hours[1] * HOUR),
        sun_positions=8,
    )
    held = 0
    for seed in range(40):
        got = estimate(measure(small, replace(ask, seed=seed))["season watts"])
        held += abs(float(got) - there / HOUR) <= float(got.half_width())
    assert stats.binomtest(held, 40, 0.95).pvalue > ALPHA


def test_design_altitudes_come_in_their_right_order(exact):
    """From 34 to 62 degrees on 20 March: the later the sun, the longer it stays about as high.

    Measured beside summed over every minute; every step is sure.
    """
    designs = [
        exact.varied({"design.sun_altitude": f"{degrees} deg"}) for degrees in range(34, 64, 7)
    ]
    ask = Ask(outcomes=("season energy",), dates=EQUINOX, sun_positions=32)
    got = [measure(design, ask)["season energy"] for design in designs]
    there = np.array([summed(design, *SEASONS["day"]) for design in designs])
    assert (np.diff(there) > 0.0).all()
    gaps = [estimate(b - a) for a, b in pairwise(got)]
    assert all(float(gap) > 0.0 and gap.is_sure() for gap in gaps)
    figures = np.array([float(estimate(x)) for x in got])
    np.testing.assert_allclose(figures, there, rtol=0.01)


def test_a_sample_of_suns_averages_the_luck_of_turning(courtyard):
    """Against every sixth day's hours, each turned by random draws of its own; Welch's t, ALPHA."""
    careless = courtyard.varied(EXACT | {"errors.pointing.tilt_rms": "1 deg"})
    (suns,) = season_suns(careless, YEAR[::6])
    each = np.diff(suns.sums, prepend=0.0)
    keys = np.arange(len(each)) + 1
    whole = facing(careless, repeats=16).turned_to(suns.alpha, keys=keys) @ each
    got = Expected(careless, build_cooker(careless), 16).over((suns,) * 16, 64)
    assert welch_p(got, whole) > ALPHA


def test_suns_are_those_of_the_sky_at_even_steps(courtyard):
    """An hour on one day by the minute, begun in the middle of each, as the sky has them."""
    clock = [f"{EQUINOX[0]}T09:{k:02d}:30" for k in range(60)]
    sun = sun_at(courtyard, site_times(courtyard.site, clock))
    (suns,) = season_suns(courtyard, EQUINOX, (9 * HOUR, 10 * HOUR))
    np.testing.assert_allclose(suns.total, 60.0 * sun.dni.sum(), rtol=1e-12)
    np.testing.assert_allclose(suns.alpha, np.sort(sun.alpha), rtol=1e-12)
    assert suns.hours == HOUR


def test_suns_of_neighbouring_days_stand_between_each_other(courtyard):
    """30 days by the hour have the sun every few minutes, and their irradiation is by the minute's.

    Tolerance 0.2 %: what walls and dawn cut off within a step.
    """
    days = YEAR[100:130]
    (suns,) = season_suns(courtyard, days)
    fine = [f"{d}T{h:02d}:{m:02d}:30" for d in days for h in range(24) for m in range(60)]
    sun = sun_at(courtyard, site_times(courtyard.site, fine))
    assert suns.total == pytest.approx(60.0 * sun.dni.sum(), rel=2e-3)
    assert (np.diff(suns.alpha) >= 0.0).all()

    def widest_gap(alpha):
        return np.diff(np.degrees(np.sort(alpha[(alpha > 0.3) & (alpha < 1.3)]))).max()

    assert widest_gap(suns.alpha) < 0.5
    assert widest_gap(sun.alpha[30::60]) > 2.0  # in the middle of each hour


def test_hours_are_the_clocks_and_it_may_change(courtyard):
    days = YEAR[100:103]
    assert season_suns(courtyard, (days[0], days[2]))[0].hours == 2 * DAY
    berlin = courtyard.varied(
        {"site.timezone": "Europe/Berlin", "site.latitude": "52 deg", "site.longitude": "13 deg",
         "site.horizon": ""}
    )  # fmt: skip
    for day, count in ((dt.date(2026, 3, 29), 23), (dt.date(2026, 10, 25), 25)):
        assert season_suns(berlin, (day,))[0].hours == HOUR * count
    # from two to three that night: skipped in spring, once and again in autumn
    for day, count in ((dt.date(2026, 3, 29), 0), (dt.date(2026, 10, 25), 2)):
        assert season_suns(berlin, (day,), (2 * HOUR, 3 * HOUR))[0].hours == HOUR * count


def test_a_season_without_sun_gives_nothing(courtyard):
    polar = courtyard.varied(
        {"site.latitude": "80 deg", "site.timezone": "UTC", "site.longitude": "0 deg",
         "sky.dni": "800 W/m^2"}
    )  # fmt: skip
    ask = Ask(outcomes=("season energy", "season watts"), dates=(dt.date(2026, 12, 21),))
    got = measure(polar, ask)
    assert (got["season energy"] == 0.0).all()
    assert (got["season watts"] == 0.0).all()


def test_every_tenth_date_stands_for_ten(exact):
    """Scaled to the days of the season; under a clear sky within 2 % of all of them."""
    small = exact.varied(SMALL)
    ask = Ask(outcomes=("season energy", "season watts"), dates=YEAR, sun_positions=64)
    whole = measure(small, ask)
    some = measure(small, replace(ask, dates=YEAR[::10], days=len(YEAR)))
    for name in ask.outcomes:
        assert some[name][0] == pytest.approx(whole[name][0], rel=0.02)
    np.testing.assert_allclose(some["season watts"], some["season energy"] / (365 * DAY))


def test_watts_over_the_hours_are_the_energy_over_their_length(courtyard):
    ask = Ask(
        outcomes=("season energy", "season watts", "season per cost", "cost"),
        dates=YEAR[:30],
        hours=(9 * HOUR, 15 * HOUR),
        sun_positions=16,
    )
    got = measure(courtyard, ask)
    np.testing.assert_allclose(got["season watts"], got["season energy"] / (30 * 6 * HOUR))
    np.testing.assert_allclose(got["season per cost"], got["season energy"] / got["cost"])
