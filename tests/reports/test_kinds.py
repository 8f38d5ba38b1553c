"""Figures of any result go by one name."""

from __future__ import annotations

import pytest

import raytrace
from raytrace.reports.kinds import KINDS


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_public_result_and_all_parts_of_a_report(kind):
    assert isinstance(getattr(raytrace, KINDS[kind].result), type)
    for part in ("tables", "sentences", "figures"):
        assert callable(KINDS[kind].function(part))


def test_what_has_no_figures_is_told_what_has():
    with pytest.raises(TypeError, match=r"int: nothing is drawn of it; .*Blame.* Window"):
        raytrace.figures(3)
