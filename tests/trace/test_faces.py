"""Maps of the pot's wall and lid, and the base's mean map, against the ledger that is traced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checks import ALPHA
from scipy import stats

import raytrace
from raytrace.exceptions import GeometryError
from raytrace.optics.tally import LID, LINES, SIDE


@pytest.fixture(scope="module")
def found():
    scenario = raytrace.load_scenario("scenarios/courtyard.toml")
    plan = raytrace.TracePlan.of(
        scenario, estimator="rays", samples=1 << 16, replicates=8, bins=8, draws=0
    )
    return raytrace.run(scenario, plan)


def test_maps_hold_the_ledgers_watts(found):
    """The same rays, counted apart: the ledger's sums are made in the compiled loop."""
    tally = found.moments[0].tally
    maps = raytrace.face_maps(found, rays=tally.n_samples, replicates=8)
    total = tally.power.sum(axis=1)
    assert total[:, SIDE].mean() > 0.0
    for power, line in ((maps.side_power, SIDE), (maps.lid_power, LID)):
        assert float(power) == pytest.approx(total[:, line].mean(), rel=1e-9, abs=1e-9)
    assert (maps.wall.value * maps.wall_area).sum() == pytest.approx(float(maps.side_power))
    assert np.nansum(maps.lid.value * maps.lid_area) == pytest.approx(float(maps.lid_power))
    pot = found.cooker.pot
    assert maps.wall_area.sum() == pytest.approx(2.0 * np.pi * pot.R * pot.height)


def test_weights_hold_every_line_that_rays_end_in(found):
    moment = found.moments[0]
    tally = moment.tally
    paths = [found.paths(rays=tally.n_samples // 8, replicate=k) for k in range(8)]
    total = tally.power.sum(axis=1).mean(axis=0)
    for name in ("shaded", "missed", "rim", "side", "lid"):
        line = LINES.index(name)
        own = np.mean([moment.dni * p.weight[p.fate == line].sum() for p in paths])
        assert own == pytest.approx(total[line], rel=1e-9, abs=1e-9), name


def test_beams_agree_with_the_wall(found):
    """Beams draw samples of their own (Welch's t test); ALPHA is the chance of a false alarm."""
    beams = raytrace.run(found.scenario, replace(found.plan, estimator="beams", samples=1 << 14))
    maps = raytrace.face_maps(found, rays=1 << 16, replicates=8)
    power = beams.moments[0].tally.power[:, :, SIDE].sum(axis=1)
    n, own = len(power), maps.side_power
    pvalue = stats.ttest_ind_from_stats(
        power.mean(), power.std(ddof=1), n, float(own), float(own.se) * 8**0.5, 8, equal_var=False
    ).pvalue
    assert pvalue > ALPHA


def test_mean_map_is_the_mean_of_the_builds(found):
    plan = replace(found.plan, estimator="beams", samples=1 << 12)
    mean = raytrace.mean_map(found.scenario, 3, plan)
    tallies = [
        raytrace.run(found.scenario, replace(plan, build=k)).moments[0].tally for k in range(3)
    ]
    watts = [float(t.delivered) for t in tallies]
    assert len(set(watts)) == 3
    area = tallies[0].bin_area
    assert np.nansum(mean.value * area) == pytest.approx(np.mean(watts), rel=1e-9)
    assert np.nanmax(mean.se) > 0.0


def test_what_cannot_be_mapped_is_refused(found):
    with pytest.raises(GeometryError, match="2 replicates"):
        raytrace.face_maps(found, replicates=1)
    with pytest.raises(GeometryError, match="2 builds"):
        raytrace.mean_map(found.scenario, 1)
