"""What pictures of the target card say, in words and a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from raytrace.reports.common.lengths import rule
from raytrace.reports.common.tables import DETAILS, table_of
from raytrace.reports.common.units import quantity, retold, unit
from raytrace.version import __version__

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.bench.spots_by_photo import Shot, SpotsByPhoto

__all__ = [
    "CAMERA",
    "PHOTO_STEPS",
    "photo_facts",
    "photo_notes",
    "photo_sentences",
    "photo_tables",
]

CAMERA = (
    "Caution: never hold a camera, or an eye behind it, in the laser's beam, its reflection or the "
    "sun's spot: take pictures from the side. A laser of class 2 (1 mW) or less. `cooker cautions` "
    "says more."
)

PHOTO_STEPS = (
    "A picture can measure the spot: the whole card in it, as large as it fits, sharp, from no "
    "more than 45° aslant, no black square covered, no flash.",
    "A spot that comes out as a wide white patch is too bright: tap on it, so that the camera "
    "darkens the picture, or move the laser further off.",
    "Name each picture after its facet, A1.jpg, or clip the facet's tag beside the card, where it "
    "hides nothing. Then: cooker photo SCENARIO PICTURES.",
)


def photo_sentences(found: SpotsByPhoto) -> list[str]:
    """How many facets were read, what was not and why.

    Parameters
    ----------
    found : SpotsByPhoto

    Returns
    -------
    list of str
        The answer first.
    """
    read, wanted = len(found.last), len(found.last) + len(found.missing)
    unread = found.unread
    left = {0: "", 1: "; one picture can't be read"}.get(
        len(unread), f"; {len(unread)} pictures can't be read"
    )
    if not read:
        answer = f"No facet of {wanted} read{left}."
    else:
        worst = quantity("length", found.worst, 1)
        count = f"All {read} facets" if not found.missing else f"{read} of {wanted} facets"
        answer = f"{count} read, their spots to {worst} or better{left}."
    out = [answer, *_reasons(unread)]
    if found.missing and read:
        out.append(f"No spot of: {_names(found.missing)}.")
    out += found.said
    if doubted := [label for label, shot in found.last.items() if shot.notes]:
        out.append(f"With a remark, under --details: {_names(doubted, 6)}.")
    if found.wanted.scenario.errors.miss_plane == "upright":
        out.append(
            "Spots are on the plane of the base, as the printed card is; the scenario states its "
            "setting error on an upright card (errors.miss_plane)."
        )
    return out


def _reasons(unread: Sequence[Shot]) -> list[str]:
    """Why pictures can't be read, and once for all of a kind what to do about it."""
    advised: dict[str, list[str]] = {}
    for shot in unread:
        why, stop, advice = retold(shot.why).partition(". ")
        advised.setdefault(advice, []).append(f"{shot.picture}: {why}{stop.strip()}")
    out = []
    for advice, whys in advised.items():
        out += whys if len(whys) > 1 else [f"{whys[0]} {advice}".strip()]
        if len(whys) > 1 and advice:
            out.append(f"For these {len(whys)}: {advice}")
    return out


def _names(labels: Sequence[str], most: int = 12) -> str:
    more = f" and {len(labels) - most} more" if len(labels) > most else ""
    return f"{', '.join(labels[:most])}{more}"


def photo_tables(found: SpotsByPhoto) -> Iterator[RenderableType]:
    """The answer, then each facet's spot.

    Parameters
    ----------
    found : SpotsByPhoto

    Yields
    ------
    renderable
    """
    for k, sentence in enumerate(photo_sentences(found)):
        yield Text(sentence, style="bold" if k == 0 else "")
    yield DETAILS
    notes: dict[str, list[str]] = {}
    for label, shot in found.last.items():
        for note in shot.notes:
            notes.setdefault(note, []).append(label)
    for note, labels in notes.items():
        yield Text(f"{', '.join(labels)}: {retold(note)}")
    table = table_of("Facet", "x", "±", "y", "±", "off its mark", "picture")
    mark = dict(zip(found.wanted.labels, found.wanted.mark, strict=True))
    for label, shot in found.last.items():
        assert shot.place is not None
        assert shot.sigma is not None
        each = [v for pair in zip(shot.place, shot.sigma, strict=True) for v in pair]
        off = float(np.hypot(*(shot.place - mark[label])))
        figures = [unit("length").fixed(float(v), 1) for v in (*each, off)]
        table.add_row(label, *figures, shot.picture)
    yield table
    yield Text(
        f"In {rule().name}, from the base's centre along the platform's axes, x to the "
        "right and y toward the sun; ± one standard error of a reading. How exactly the card lay "
        "on the base's place is not in it: that moves all spots alike, and cooker spots tells what "
        "they have in common."
    )


def photo_notes(found: SpotsByPhoto) -> list[str]:
    """Notes above the table of spots: what was left out, and which picture each row is from.

    Parameters
    ----------
    found : SpotsByPhoto

    Returns
    -------
    list of str
    """
    scenario = found.wanted.scenario
    return [
        scenario.title,
        f"{scenario.source}; spots from pictures, from the base's centre, platform axes",
        *(f"not read: {shot.picture}: {shot.why}" for shot in found.unread),
        *(f"{label} from {shot.picture}" for label, shot in found.last.items()),
    ]


def photo_facts(found: SpotsByPhoto, said: Sequence[str], files: Sequence[str]) -> dict[str, Any]:
    """All of it as plain values, in SI units.

    Parameters
    ----------
    found : SpotsByPhoto
    said, files : sequence of str
        Further sentences, and files that were written.

    Returns
    -------
    dict
        For JSON.
    """
    return {
        "raytrace": __version__,
        "spots": [
            {
                "facet": label,
                "place": [float(v) for v in shot.place],
                "sigma": [float(v) for v in shot.sigma],
                "picture": shot.picture,
                "taken": shot.taken.isoformat() if shot.taken else None,
            }
            for label, shot in found.last.items()
            if shot.place is not None and shot.sigma is not None
        ],
        "unread": [
            {"picture": shot.picture, "facet": shot.facet, "why": shot.why} for shot in found.unread
        ],
        "missing": list(found.missing),
        "sentences": [*photo_sentences(found), *said],
        "files": list(files),
        "caution": CAMERA,
    }
