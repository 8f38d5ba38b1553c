"""What was learned of several numbers at once: its table, and the draws made of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from raytrace import load_scenario
from raytrace.light.drawn import KINDS, draw_cookers
from raytrace.scenario.learned import Joint, joint_text, read_joint, stated
from raytrace.scenario.loading import parse_scenario
from raytrace.statistics.likely import REPEATS
from raytrace.store.fingerprint import fingerprint

COURTYARD = load_scenario(Path(__file__).parents[2] / "scenarios" / "courtyard.toml")
KEYS = ("mirror.reflectance", "mirror.cleanliness", "errors.setting")
ROWS = 64


def table():
    """A product that is known better than its factors, and an error beside it."""
    z = np.random.default_rng(7).standard_normal((ROWS, 2))
    reflectance = 0.83 + 0.02 * z[:, 0]
    values = np.column_stack([reflectance, 0.75 / reflectance, 8e-3 * np.exp(0.1 * z[:, 1])])
    return Joint(KEYS, ("", "", "m"), values, np.arange(100, 100 + ROWS), COURTYARD.trace.seed)


def learned(joint, **changes):
    rows = zip(joint.keys, joint.mean, joint.sd, joint.units, strict=True)
    values = {key: stated(*row) for key, *row in rows}
    return parse_scenario(
        COURTYARD.text,
        folder=COURTYARD.folder,
        overrides={**values, "learned.draws": "mine.csv"} | changes,
        tables={"mine.csv": joint_text(joint)},
    )


def test_table_reads_back():
    joint = table()
    again, problems = read_joint("mine.csv", joint_text(joint, ("a note",)))
    assert not problems
    assert dict(zip(again.keys, again.units, strict=True)) == dict(
        zip(joint.keys, joint.units, strict=True)
    )
    at = [again.keys.index(key) for key in KEYS]
    np.testing.assert_allclose(again.values[:, at], joint.values, rtol=1e-7)
    assert (again.build == joint.build).all()


def test_draws_are_rows_of_the_table_taken_evenly():
    joint = table()
    scenario = learned(joint)
    assert scenario.joint.keys == read_joint("", joint_text(joint))[0].keys
    assert scenario.forgotten == ()
    draws = draw_cookers(scenario, REPEATS * ROWS, seed=COURTYARD.trace.seed)
    at = [draws.keys.index(key) for key in KEYS]
    # as exact as the table is written: the product is one in every row
    np.testing.assert_allclose(draws.values[:, at[:2]].prod(axis=1), 0.75, rtol=1e-6)
    builds = draws.build.reshape(REPEATS, ROWS)
    assert (np.sort(builds, axis=1) == joint.build).all()  # each set has each row once
    np.testing.assert_allclose(
        draws.values[:, at[2]], joint.values[draws.build - 100, 2], rtol=1e-6
    )
    assert len(np.unique(draws.use)) == len(draws)  # no use is learned
    # all else is as its law says
    free = draws.keys.index("air.humidity")
    law = next(u.law for u in COURTYARD.unknowns if u.key == "air.humidity")
    assert draws.values[:, free].std() == pytest.approx(law.spread, rel=0.05)
    assert set(draws.keys) == {u.key for u in COURTYARD.unknowns}


def test_each_kind_alone():
    scenario = learned(table())
    seed = COURTYARD.trace.seed
    builds = draw_cookers(scenario, 64, seed=seed, kinds=("builds",))
    assert builds.keys == ()
    assert builds.build.min() >= 100
    inputs = draw_cookers(scenario, 64, seed=seed, kinds=("inputs",))
    assert set(inputs.build) == {COURTYARD.trace.build}
    # builds are of one seed alone
    other = draw_cookers(scenario, 64, seed=seed + 1, kinds=KINDS)
    assert other.build.max() < 100


@pytest.mark.parametrize("value", ["0.9", "0.9 ± 0.01", "0.9 ± 0"])
def test_what_is_set_since_is_forgotten(value):
    scenario = learned(table(), **{"mirror.reflectance": value})
    assert scenario.forgotten == ("mirror.reflectance",)
    draws = draw_cookers(scenario, REPEATS * ROWS, seed=1)
    if "mirror.reflectance" in draws.keys:
        assert draws.values[:, draws.keys.index("mirror.reflectance")].mean() > 0.88
    kept = draws.values[:, draws.keys.index("mirror.cleanliness")]
    assert kept.mean() == pytest.approx(table().mean[1], rel=1e-3)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("mirror.reflectanc\n", "Nearest: mirror.reflectance"),
        ("errors.setting\n", "no unit"),
        ("errors.setting_K\n", "a temperature, but an angle or a length"),
        ("facets.rows\n", "no law of it can be learned"),
        ("air.wind_m/s\n" + "99\n" * 8, "beyond the limits"),
        ("mirror.cleanliness\n" + "1.2\n" * 8, "must lie in 0 to 1"),
        ("mirror.cleanliness,air.humidity\n" + "0.9\n" * 8, "empty, but a value is needed"),
        ("mirror.cleanliness,build\n" + "0.9,2\n" * 8, "build and seed go together"),
        ("mirror.cleanliness,build,seed\n" + "0.9,2.5,1\n" * 8, "must be a whole number"),
        ("mirror.cleanliness\n0.9\n", "Give 8 or more"),
        ("", "empty"),
    ],
)
def test_refused(text, said):
    joint, problems = read_joint("mine.csv", text)
    assert joint is None
    assert said in " ".join(str(p) for p in problems)


def test_the_table_is_part_of_what_decides_a_result():
    joint = table()
    one, other = learned(joint), learned(joint.only(KEYS[:2]))
    assert one == learned(joint)
    assert one != other
    assert fingerprint("trace", [one], {}) != fingerprint("trace", [other], {})
