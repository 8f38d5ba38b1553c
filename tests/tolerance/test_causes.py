"""What the interval of the watts is made of, against closed forms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from raytrace import load_scenario
from raytrace.reports.tolerance.blame import causes_sentences
from raytrace.studies.tolerance.blame import BlamePlan, blame
from raytrace.studies.tolerance.causes import find_causes

COURTYARD = load_scenario(Path(__file__).parents[2] / "scenarios" / "courtyard.toml")


def known_but_for(**stated):
    """Courtyard with nothing uncertain but some keys, no errors of building or use."""
    sure = {u.key: f"{u.law.best!r} {u.law.unit} ± 0" for u in COURTYARD.unknowns}
    none = {
        "errors.setting": "0 mm ± 0",
        "errors.placement_xy": "0 mm",
        "errors.placement_z": "0 mm",
        "errors.roll": "0 deg",
        "errors.rig.hit": "0 mm",
        "errors.pointing.heading_rms": "0 deg",
        "errors.pointing.tilt_rms": "0 deg",
        "errors.pointing.cross_rms": "0 deg",
        "errors.pot.rms": "[0 mm, 0 mm, 0 mm]",
    }
    return COURTYARD.varied(sure | none | {k.replace("__", "."): v for k, v in stated.items()})


def test_shares_of_a_product():
    """Watts go with reflectance times irradiance: shares by A. Saltelli et al., Global Sensitivity
    Analysis: The Primer, Wiley, 2008, chapter 1 (definitions; the product's worked out here)."""
    scenario = known_but_for(mirror__reflectance="0.85 ± 0.04", sky__dni_factor="1 ± 0.1")
    found = find_causes(scenario, 64, seed=1)
    assert found.cause.tolist() == ["sky.dni_factor", "mirror.reflectance", "builds", "uses"]
    a, b = (0.1) ** 2, (0.04 / 0.85) ** 2
    whole = a + b + a * b
    # within thrice the bootstrap's 95 %, six standard errors: 64 rows are few
    first = np.array([a, b, 0.0, 0.0]) / whole
    total = np.array([a * (1 + b), b * (1 + a), 0.0, 0.0]) / whole
    assert (abs(found.first - first) <= 3.0 * found.first_ci + 1e-3).all()
    assert (abs(found.total - total) <= 3.0 * found.total_ci + 1e-3).all()
    assert found.total_ci.max() < 0.5
    assert found.expected.spread / found.expected.mean == pytest.approx(np.sqrt(whole), rel=0.05)
    # the irradiance known, some four tenths of the width are left
    assert found.measure == ("sky.dni_factor",)
    assert found.halved
    assert found.left.spread / found.left.mean == pytest.approx(0.04 / 0.85, rel=0.05)


def test_what_can_not_be_halved_is_said_so():
    scenario = known_but_for(
        mirror__reflectance="0.85 ± 0.001", errors__pointing__heading_rms="3 deg ± 0"
    )
    plan = BlamePlan(builds=4, base=64, unknown_rows=16)
    study = blame(scenario, plan)
    assert study.causes is not None
    assert not study.causes.halved
    assert study.causes.cause[int(np.argmax(study.causes.total))] == "uses"
    words = causes_sentences(study)
    assert "how each use differs" in words[1]
    assert "leaves more than half" in words[2]
    assert causes_sentences(replace(study, causes=None)) == []
