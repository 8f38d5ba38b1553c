"""The sun's brightness profile: against published laws, quadrature and independent draws."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from checks import ALPHA, chi2_p
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from raytrace.exceptions import SkyError
from raytrace.sky.sunshape import AUREOLE_EDGE, sunshape, tabled_sunshape

R = 4.65e-3
WIDTH, FARTHEST = 3e-3, 14e-3  # of a Gaussian sun, in the sine of the angle


def tabled(radiance, angles):
    """A law of radiance as a table of it has it."""
    return tabled_sunshape(tuple(zip(angles.tolist(), radiance(angles).tolist(), strict=True)))


def gaussian_law(psi):
    return np.exp(-0.5 * (np.sin(psi) / WIDTH) ** 2)


# closer together toward the limb, where the law falls as a square root does
TOWARD_LIMB = np.arcsin(np.sin(R) * np.sin(np.linspace(0.0, 0.5 * np.pi, 200)))

SHAPES = {
    "uniform": sunshape("uniform", R),
    "limb-darkened": sunshape("limb-darkened", R),
    "buie": sunshape("buie", R, 0.1),
    "buie, hazy": sunshape("buie", R, 0.4),
    "buie, by date": sunshape("buie", 4.73e-3, 0.02),
}
TABLE = tabled(gaussian_law, np.arcsin(np.linspace(0.0, FARTHEST, 401)))
every_shape = pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())
tables_too = pytest.mark.parametrize("shape", [*SHAPES.values(), TABLE], ids=[*SHAPES, "table"])


def limb_law(psi):
    # I/I0 = 0.3 + 0.93 mu - 0.23 mu^2, Cox (ed.), Allen's Astrophysical Quantities, 4th ed. (2000).
    mu = np.sqrt(1.0 - (np.sin(psi) / np.sin(R)) ** 2)
    return 0.3 + 0.93 * mu - 0.23 * mu**2


def eddington_law(psi):
    # I/I0 = (2 + 3 mu)/5, Eddington's approximation.
    return 0.4 + 0.6 * np.sqrt(1.0 - (np.sin(psi) / np.sin(R)) ** 2)


def table_moment(shape, power):
    """E[sin^power psi] of the table as the kernels read it: straight between knots, in x = √u."""
    total = 0.0
    for knots, low, high in (
        (shape.table[0], 0.0, shape.x_disc),
        (shape.table[1], shape.x_disc, 1),
    ):
        if high <= low:
            continue
        x = np.linspace(low, high, knots.size)
        nodes, weights = np.polynomial.legendre.leggauss(4)
        share = 0.5 * (1.0 + nodes)
        xs = x[:-1, None] + np.diff(x)[:, None] * share
        s = knots[:-1, None] + np.diff(knots)[:, None] * share
        total += (np.diff(x)[:, None] * 0.5 * weights * 2.0 * xs * s**power).sum()
    return total


def quadrature(shape, f):
    """∫ f(psi) L sin psi cos psi, split where the profile breaks."""

    def integrand(psi):
        return f(psi) * float(shape.radiance(psi)) * np.sin(psi) * np.cos(psi)

    total = quad(integrand, 0.0, shape.radius, epsabs=0, epsrel=1e-10, limit=200)[0]
    if shape.psi_max > shape.radius:
        total += quad(
            integrand, shape.radius * (1 + 1e-12), shape.psi_max, epsabs=0, epsrel=1e-10, limit=200
        )[0]
    return total


@tables_too
def test_table_is_what_the_kernels_expect(shape):
    assert shape.table.shape == (2, 2049)
    assert shape.table[0, 0] == 0.0
    assert shape.table[0, -1] == pytest.approx(np.sin(shape.radius), rel=1e-15)
    assert shape.table[1, -1] == pytest.approx(np.sin(shape.psi_max), rel=1e-15)
    assert (np.diff(shape.table[0]) > 0.0).all()
    assert (np.diff(shape.table[1]) >= 0.0).all()
    assert not shape.table.flags.writeable


def test_uniform_table_is_exactly_straight():
    table = SHAPES["uniform"].table
    np.testing.assert_array_equal(table[0], np.linspace(0.0, 1.0, 2049) * np.sin(R))
    assert (table[1] == np.sin(R)).all()
    assert SHAPES["uniform"].x_disc == 1.0


@every_shape
def test_table_holds_the_mean_square_of_the_profile(shape):
    """Piecewise-straight table against quadrature of the profile, to 1e-6."""
    exact = quadrature(shape, lambda psi: np.sin(psi) ** 2) / quadrature(shape, lambda psi: 1.0)
    assert table_moment(shape, 2) == pytest.approx(exact, rel=1e-6)


def test_uniform_disc_has_the_closed_form_width():
    # rms radius R/sqrt(2), a disc's polar moment; sin for the angle, exact here.
    assert np.sqrt(table_moment(SHAPES["uniform"], 2)) == pytest.approx(
        np.sin(R) / np.sqrt(2.0), rel=1e-6
    )


def test_limb_darkened_disc_has_the_closed_form_width():
    # <t^2> = (a/4 + 2b/15 + c/12)/(a/2 + b/3 + c/4), t = sin psi/sin R; derived here. 3.1082 mrad.
    a, b, c = 0.3, 0.93, -0.23
    mean_square = (a / 4 + 2 * b / 15 + c / 12) / (a / 2 + b / 3 + c / 4)
    assert table_moment(SHAPES["limb-darkened"], 2) == pytest.approx(
        mean_square * np.sin(R) ** 2, rel=1e-6
    )
    assert 1e3 * np.sqrt(table_moment(SHAPES["limb-darkened"], 2)) == pytest.approx(
        3.1082, abs=1e-4
    )


def test_limb_darkening_is_near_what_is_observed():
    # Relative intensity against mu, as a university course in astrophysics lists it (Brigham Young
    # University, Physics 428). It states no colour; the limb's darkening changes by some 0.06
    # from green to red, which is the tolerance.
    mu = np.arange(10, 0, -1) / 10.0
    seen = [1.0, 0.944, 0.898, 0.842, 0.788, 0.750, 0.670, 0.602, 0.522, 0.450]
    psi = np.arcsin(np.sin(R) * np.sqrt(1.0 - mu**2))
    np.testing.assert_allclose(SHAPES["limb-darkened"].radiance(psi), seen, atol=0.06)
    assert np.abs(SHAPES["uniform"].radiance(psi) - seen).max() > 0.5  # the check can fail


def test_a_table_of_a_law_gives_the_law():
    """The even disc exactly; limb and aureole as well as their table's chords follow them."""
    even = tabled_sunshape(((1e-3, 7.0), (R, 7.0)))
    np.testing.assert_allclose(even.table, SHAPES["uniform"].table, rtol=0, atol=1e-15)
    assert even.circumsolar_ratio == 0.0
    dark = tabled_sunshape(tuple(zip(TOWARD_LIMB, limb_law(TOWARD_LIMB), strict=True)))
    np.testing.assert_allclose(dark.table, SHAPES["limb-darkened"].table, rtol=0, atol=1e-5 * R)
    out = np.concatenate([np.linspace(0, R, 200), R + np.geomspace(1e-7, AUREOLE_EDGE - R, 2000)])
    hazy = tabled(SHAPES["buie"].radiance, out)
    assert hazy.circumsolar_ratio == pytest.approx(0.1, abs=2e-5)
    psi = np.linspace(0.0, AUREOLE_EDGE, 301)
    np.testing.assert_allclose(hazy.cdf(psi), SHAPES["buie"].cdf(psi), atol=2e-5)


def test_a_gaussian_table_has_the_closed_form_width():
    # radiance exp(-w/2s²) of w = sin² psi, cut at w₀: dP ∝ radiance dw, so that the mean of w is
    # 2 s² (1 − q/(e^q − 1)), q = w₀/2s²; derived here. The table's chords add (h/s)²/6, 2e-5;
    # the last of the 2049 straight pieces that stand for the faint tail adds 7e-5.
    q = 0.5 * (FARTHEST / WIDTH) ** 2
    exact = 2.0 * WIDTH**2 * (1.0 - q / np.expm1(q))
    u = (np.arange(1 << 20) + 0.5) / (1 << 20)
    assert np.square(np.sin(TABLE.sample(u))).mean() == pytest.approx(exact, rel=1.5e-4)
    within = -np.expm1(-0.5 * (R / WIDTH) ** 2) / -np.expm1(-q)
    assert TABLE.circumsolar_ratio == pytest.approx(1.0 - within, abs=2e-5)


def test_angles_drawn_from_a_table_follow_its_law():
    """Kolmogorov-Smirnov against the Gaussian in closed form, 200 000 draws; ALPHA."""
    drawn = TABLE.sample(np.random.default_rng(11).random(200_000))
    whole = -np.expm1(-0.5 * (FARTHEST / WIDTH) ** 2)
    law = -np.expm1(-0.5 * (np.sin(np.sort(drawn)) / WIDTH) ** 2) / whole
    assert stats.kstest(law, "uniform").pvalue > ALPHA


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (((0.0, 1.0),), "two or more points"),
        (((0.0, 1.0), (0.0, 2.0)), "angles that rise"),
        (((-1e-3, 1.0), (1e-3, 2.0)), "from 0 or more"),
        (((0.0, 1.0), (4e-3, -1e-9)), "no negative radiance"),
        (((0.0, 1.0), (2.0, 1.0)), "less than 90°"),
        (((0.0, float("nan")), (4e-3, 1.0)), "two or more points"),
        (((0.0, 0.0), (5e-3, 1.0)), "light in the first"),
    ],
)
def test_wrong_tables_are_refused(points, words):
    with pytest.raises(SkyError, match=words):
        tabled_sunshape(points)


@pytest.mark.parametrize("ratio", [1e-4, 0.01, 0.05, 0.1, 0.3, 0.6])
def test_circumsolar_ratio_is_the_one_asked_for(ratio):
    shape = sunshape("buie", R, ratio)
    whole = quadrature(shape, lambda psi: 1.0)
    aureole = quadrature(shape, lambda psi: float(psi > R))
    assert aureole / whole == pytest.approx(ratio, abs=1e-9)
    assert shape.x_disc**2 == pytest.approx(1.0 - ratio, rel=1e-12)
    assert shape.psi_max == AUREOLE_EDGE


def test_circumsolar_profile_is_near_the_ratio_it_is_named_by():
    # chi is meant as the circumsolar ratio: Buie, Monger & Dey, Solar Energy 74 (2003) 113-122.
    # Formula and coefficients from memory. Integrated, the profile misses chi by up to a tenth
    # from 0.1 to 0.4; a wrong coefficient (-1.0 for -0.1) misses by a factor of seven.
    for ratio in (0.1, 0.2, 0.3, 0.4):
        assert sunshape("buie", R, ratio).chi == pytest.approx(ratio, rel=0.1)


def test_circumsolar_disc_follows_its_formula():
    # cos(0.326 t)/cos(0.308 t), t in mrad; same paper, from memory.
    t = np.linspace(0.0, 4.65, 50)[:-1]
    np.testing.assert_allclose(
        SHAPES["buie"].radiance(1e-3 * t), np.cos(0.326 * t) / np.cos(0.308 * t), rtol=1e-12
    )


@pytest.mark.parametrize("ratio", [0.0, 1e-9, 0.95, 1.0, -0.1])
def test_circumsolar_ratio_out_of_reach_is_refused_with_the_range(ratio):
    with pytest.raises(SkyError, match=r"it goes from .* to 0\.\d+"):
        sunshape("buie", R, ratio)


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("gaussian", R), '"uniform", "limb-darkened" or "buie"'),
        (("uniform", 0.5), "about 4.65 mrad"),
        (("uniform", float("nan")), "about 4.65 mrad"),
        (("uniform", R, 0.1), "no aureole"),
        (("buie", R), "needs a circumsolar ratio"),
    ],
)
def test_wrong_sunshapes_are_refused(args, words):
    with pytest.raises(SkyError, match=words):
        sunshape(*args)


@tables_too
def test_sampling_and_its_inverse_agree(shape):
    """Round trip; the straight pieces of the table cost up to 2e-5 in the last cell at the limb."""
    u = np.linspace(0.0, 1.0, 4001)
    np.testing.assert_allclose(shape.cdf(shape.sample(u)), u, atol=2e-5)
    last = np.nextafter(1.0, 0.0)
    assert shape.sample(0.0) == 0.0
    assert shape.sample(last) <= shape.psi_max * (1 + 1e-15)
    assert shape.cdf(0.0) == 0.0
    assert shape.cdf(shape.psi_max) == pytest.approx(1.0, abs=1e-14)


@tables_too
def test_density_is_the_slope_of_the_distribution(shape):
    psi = np.concatenate(
        [np.linspace(0.05, 0.95, 19) * shape.radius, np.linspace(1.1, 9.0, 9) * shape.radius]
    )
    step = 1e-7
    slope = (shape.cdf(psi + step) - shape.cdf(psi - step)) / (2 * step)
    np.testing.assert_allclose(shape.pdf(psi), slope, rtol=1e-5, atol=1e-4)


@given(ratio=st.floats(0.001, 0.6), radius=st.floats(4.5e-3, 4.8e-3), u=st.floats(0.0, 1.0))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_any_hazy_sun_is_whole(ratio, radius, u):
    shape = sunshape("buie", radius, ratio)
    psi = float(shape.sample(u))
    assert 0.0 <= psi <= AUREOLE_EDGE * (1 + 1e-15)
    assert float(shape.cdf(psi)) == pytest.approx(u, abs=2e-5)
    assert float(shape.cdf(radius)) == pytest.approx(1.0 - ratio, abs=1e-12)


def radii_on_a_plane(law, n, seed):
    """Angles by a way of its own: even points on the square round the disc, kept by brightness."""
    rng = np.random.default_rng(seed)
    kept = []
    while sum(len(k) for k in kept) < n:
        x, y, accept = rng.uniform(-1.0, 1.0, n), rng.uniform(-1.0, 1.0, n), rng.random(n)
        t = np.hypot(x, y)
        psi = np.arcsin(np.minimum(t, 1.0) * np.sin(R))
        kept.append(psi[(t < 1.0) & (accept < law(psi))])
    return np.concatenate(kept)[:n]


def test_limb_darkened_radii_follow_their_law():
    """Kolmogorov-Smirnov, 200 000 points drawn by brightness on a plane; false alarm ALPHA."""
    drawn = radii_on_a_plane(limb_law, 200_000, seed=7)
    assert stats.kstest(drawn, SHAPES["limb-darkened"].cdf).pvalue > ALPHA


def test_the_check_can_fail():
    """An even disc, and Eddington's law with two million draws, are both caught."""
    even = radii_on_a_plane(np.ones_like, 200_000, seed=7)
    assert stats.kstest(even, SHAPES["limb-darkened"].cdf).pvalue < ALPHA
    near = radii_on_a_plane(eddington_law, 2_000_000, seed=7)
    assert stats.kstest(near, SHAPES["limb-darkened"].cdf).pvalue < ALPHA


@every_shape
def test_sampled_angles_follow_the_profile(shape):
    """χ² over 40 rings that quadrature says are equally likely, 200 000 draws; ALPHA."""
    edges = shape.sample(np.arange(1, 40) / 40.0)
    edges = np.concatenate([[0.0], edges, [shape.psi_max]])
    whole = quadrature(shape, lambda psi: 1.0)
    fine = np.array(
        [
            sum(
                quad(
                    lambda p: float(shape.radiance(p)) * np.sin(p) * np.cos(p), lo, hi, epsrel=1e-9
                )[0]
                for lo, hi in (
                    (a, min(b, shape.radius)),
                    (max(a, shape.radius * (1 + 1e-12)), b),
                )
                if hi > lo
            )
            for a, b in itertools.pairwise(edges)
        ]
    )
    drawn = shape.sample(np.random.default_rng(11).random(200_000))
    counts = np.histogram(drawn, edges)[0]
    expected = fine / whole * drawn.size
    assert expected.sum() == pytest.approx(drawn.size, rel=1e-7)
    assert chi2_p(counts, expected) > ALPHA
