"""Shadows and catches of single things on one large level mirror, by their areas alone.

Light of a point sun at altitude α falls on a level mirror and leaves it at the same slant. What a
thing of known outline keeps away, or catches, is the outline's projection along the light: plane
geometry, no source needed. Student's t throughout, false alarm ALPHA.
"""

from __future__ import annotations

import numpy as np
import pytest
from checks import ALPHA, ESTIMATORS, mean_p, point_sun, samples

from raytrace.cooker.geometry import Pot, cooker_from_arrays
from raytrace.cooker.mirror import Mirror
from raytrace.optics.tally import LINES
from raytrace.optics.tracing import trace

DNI, RHO = 800.0, 0.9
R, HEIGHT, BASE_AT = 0.1, 0.25, 0.3
ALTITUDES = [35.0, 55.0, 70.0]
pytestmark = pytest.mark.parametrize("estimator", ESTIMATORS)
UP = np.array([0.0, 0.0, 1.0])


def watts(estimator, degrees, *, pot=None, extra=(), rho=RHO):
    """Replicates of the large mirror's ledger, a dict of arrays, and sin α, cot α.

    `extra` are further facets as (centre, half-sizes, shape), level ones.
    """
    alpha = np.radians(degrees)
    s = np.array([0.0, np.cos(alpha), np.sin(alpha)])
    if pot is None:
        pot = Pot(base=np.array([50.0, 0.0, 9.0]), axis=UP, R=0.01, height=0.01)
    cooker = cooker_from_arrays(
        centers=[[0.0, 0.0, 0.0], *(e[0] for e in extra)],
        normals=[UP] * (1 + len(extra)),
        half_sizes=[(1.0, 1.5), *(e[1] for e in extra)],
        shapes=["rectangular", *(e[2] for e in extra)],
        pot=pot,
        mirror=Mirror(clean=rho),
    )
    size = samples(estimator, (1 + len(extra)) << 20)
    tally = trace(cooker, s, point_sun(), dni=DNI, replicates=64, **size)
    power = dict(zip(LINES, tally.power[:, 0].T, strict=True))
    return power, np.sin(alpha), 1.0 / np.tan(alpha)


@pytest.mark.parametrize("degrees", ALTITUDES)
def test_a_pots_shadow_and_what_it_catches(estimator, degrees):
    """The shadow of a cylinder on the level is the capsule swept by a disc: πR² + 2RH cot α.

    Reflected light sees it from below: πR² of the mirror light the base, 2RH cot α the side.
    """
    pot = Pot(base=np.array([0.0, 0.0, BASE_AT]), axis=UP, R=R, height=HEIGHT)
    power, sin_a, cot_a = watts(estimator, degrees, pot=pot)
    assert 2.0 * BASE_AT * cot_a > 2.0 * R  # shadow and catch lie apart
    disc, wall = np.pi * R**2, 2.0 * R * HEIGHT * cot_a
    assert mean_p(power["shaded"], DNI * sin_a * (disc + wall)) > ALPHA
    assert mean_p(power["base"], RHO * DNI * sin_a * disc) > ALPHA
    assert mean_p(power["side"], RHO * DNI * sin_a * wall) > ALPHA
    assert power["lid"].max() == 0.0
    # and it can fail: a pot a tenth higher is seen
    assert mean_p(power["shaded"], DNI * sin_a * (disc + 1.1 * wall)) < ALPHA
    assert mean_p(power["side"], RHO * DNI * sin_a * 1.1 * wall) < ALPHA


def test_a_sun_overhead_leaves_the_base_dark(estimator):
    """All that could light the base lies in the pot's shadow, a disc."""
    pot = Pot(base=np.array([0.1, -0.2, BASE_AT]), axis=UP, R=R, height=HEIGHT)
    power, _, _ = watts(estimator, 90.0, pot=pot)
    assert mean_p(power["shaded"], DNI * np.pi * R**2) > ALPHA
    # beams take a polygon for the pot's shadow, at most 0.1 % of the radius off the rim: so much
    # of the disc's area, twice over, may look lit
    leak = {"rays": 0.0, "beams": 2e-3}[estimator] * DNI * np.pi * R**2
    for name in ("base", "side", "lid", "blocked"):
        assert power[name].max() <= leak


@pytest.mark.parametrize("degrees", ALTITUDES)
def test_a_hanging_pot_catches_light_on_its_lid(estimator, degrees):
    """Upside down, the base looks away: the lid's disc and the side catch the light."""
    pot = Pot(base=np.array([0.0, 0.0, BASE_AT + HEIGHT]), axis=-UP, R=R, height=HEIGHT)
    power, sin_a, cot_a = watts(estimator, degrees, pot=pot)
    assert mean_p(power["lid"], RHO * DNI * sin_a * np.pi * R**2) > ALPHA
    assert mean_p(power["side"], RHO * DNI * sin_a * 2.0 * R * HEIGHT * cot_a) > ALPHA
    assert power["base"].max() == 0.0


@pytest.mark.parametrize("degrees", ALTITUDES)
def test_a_flat_pot_is_a_disc(estimator, degrees):
    """A plate without height still has a base and throws a shadow."""
    pot = Pot(base=np.array([0.0, 0.0, BASE_AT]), axis=UP, R=R, height=0.0)
    power, sin_a, _ = watts(estimator, degrees, pot=pot)
    assert mean_p(power["base"], RHO * DNI * sin_a * np.pi * R**2) > ALPHA
    assert mean_p(power["shaded"], DNI * sin_a * np.pi * R**2) > ALPHA


@pytest.mark.parametrize("turn", [0.0, 0.2])
@pytest.mark.parametrize("degrees", ALTITUDES)
def test_a_posts_shadow(estimator, degrees, turn):
    """A box w wide, H high: w (w + H cot α) in sun and shadow, on the way in and on the way out.

    Turned about its middle it is as wide to the light as its two sides, w (cos + sin).
    """
    w, H, low = 0.06, 0.3, 0.1
    box = np.array([[-0.5 * w, -0.5 * w, low, 0.5 * w, 0.5 * w, low + H]])
    pot = Pot(base=np.array([0.4, 0.0, 1e-3]), axis=UP, R=1e-4, height=1e-4, posts=box, turn=turn)
    power, sin_a, cot_a = watts(estimator, degrees, pot=pot)
    wide = w * (np.cos(turn) + np.sin(turn))
    assert 2.0 * low * cot_a > wide
    area = w * w + wide * H * cot_a
    slack = 1e-6 * DNI  # the needle of a pot
    assert mean_p(power["shaded"], DNI * sin_a * area, slack) > ALPHA
    assert mean_p(power["blocked"], RHO * DNI * sin_a * area, slack) > ALPHA
    assert mean_p(power["blocked"], RHO * DNI * sin_a * area * 1.1) < ALPHA


OUTLINES = [
    ("rectangular", (0.12, 0.07), 4.0 * 0.12 * 0.07),
    ("round", (0.1, 0.1), np.pi * 0.1**2),
    ("hexagonal", (0.1, 0.1), 1.5 * np.sqrt(3.0) * 0.1**2),
]


@pytest.mark.parametrize("degrees", ALTITUDES)
@pytest.mark.parametrize(("shape", "half", "area"), OUTLINES)
def test_a_facet_over_a_facet(estimator, shape, half, area, degrees):
    """A level facet hides its own area from a level one below, going in and coming out.

    Its back stops light as its front does.
    """
    power, sin_a, cot_a = watts(estimator, degrees, extra=[((0.1, 0.0, 0.4), half, shape)])
    assert 2.0 * 0.4 * cot_a > 2.0 * half[1]
    assert mean_p(power["shaded"], DNI * sin_a * area) > ALPHA
    assert mean_p(power["blocked"], RHO * DNI * sin_a * area) > ALPHA
    assert mean_p(power["shaded"], DNI * sin_a * area * 1.1) < ALPHA


def test_two_things_in_one_shadow_count_once(estimator):
    """One facet straight behind another, seen from the sun, adds nothing but its overhang."""
    alpha = np.radians(50.0)
    step = 0.15 * np.array([0.0, np.cos(alpha), np.sin(alpha)])
    first = np.array([0.0, 0.2, 0.3])
    extra = [(first, (0.1, 0.1), "rectangular"), (first + step, (0.1, 0.1), "rectangular")]
    power, sin_a, _ = watts(estimator, 50.0, extra=extra)
    assert mean_p(power["shaded"], DNI * sin_a * 0.04, 1e-9) > ALPHA


def test_a_grate_takes_its_share_of_the_base(estimator):
    pot = Pot(base=np.array([0.0, 0.0, BASE_AT]), axis=UP, R=R, height=HEIGHT, covered=0.25)
    power, sin_a, _ = watts(estimator, 50.0, pot=pot)
    arriving = RHO * DNI * sin_a * np.pi * R**2
    assert mean_p(power["base"], 0.75 * arriving) > ALPHA
    assert mean_p(power["blocked"], 0.25 * arriving) > ALPHA
