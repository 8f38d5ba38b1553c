"""What a record has taught, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from raytrace.reports.common.learned import change_words, left_sentences, number_rows
from raytrace.studies.record.learn import FACTORS

if TYPE_CHECKING:
    from raytrace.studies.record.learn import Taught
    from raytrace.studies.trace.narrowed import Narrowed

__all__ = ["taught_sentences"]

SCATTERS = 1e-4  # chance under which readings scatter more than their errors explain


def taught_sentences(found: Taught, left: Narrowed, *, sun: bool) -> list[str]:
    """What was learned, how surely, and what to measure next.

    Parameters
    ----------
    found : Taught
    left : Narrowed
    sun : bool
        Whether the record says how strong the sun was.

    Returns
    -------
    list of str
    """
    joint = found.joint
    out = []
    factors = [key for key in FACTORS if key in joint.keys]
    if len(factors) > 1:
        words = " × ".join(key.rpartition(".")[2].replace("_", " of the ") for key in factors)
        out.append(f"Learned: {words}: {change_words(found.product, found.product_after)}")
    out += left_sentences(left)
    out.append(
        f"{found.effective:.0f} effective draws of {found.count}. The readings show "
        f"{found.shown:.0f} ± {found.shown_sd:.0f} W of heat, where {found.expected:.0f} ± "
        f"{found.expected_sd:.0f} W were thought possible (standard uncertainties)."
    )
    if abs(found.shown - found.expected) > 2.5 * (found.shown_sd**2 + found.expected_sd**2) ** 0.5:
        out.append(
            "! That is further off than was thought likely. Look at what would explain it before "
            "you trust what was learned."
        )
    if found.misfit < SCATTERS:
        out.append(
            "! The readings scatter more about any draw than their stated errors explain: check "
            "--reading-error, and times and turnings."
        )
    if not sun:
        out.append(
            "The record doesn't say how strong the sun was. Part of the difference may be that "
            "day's haze; it is not carried over to other days, and less is learned for it."
        )
    return [*out, *(f"  {row}" for row in number_rows(joint, found.before, found.before_sd))]
