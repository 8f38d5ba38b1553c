"""Facets' spots, read from pictures of the target card: what was found, what was not, and why."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from raytrace.camera.card import CardLayout, card_layout
from raytrace.camera.finding import FlatCard, FoundCard, find_card
from raytrace.camera.pictures import open_picture
from raytrace.camera.spots import find_spot
from raytrace.cooker.geometry import build_cooker
from raytrace.cooker.tolerances import tolerances_from_scenario
from raytrace.exceptions import PictureError, SettingsError
from raytrace.studies.bench.one_facet import order_of
from raytrace.studies.bench.picture_names import facets_named, name_order
from raytrace.studies.bench.set_log import Entry, SetLog
from raytrace.studies.bench.spot_geometry import spots_on_plane
from raytrace.studies.bench.spots import spots_of
from raytrace.studies.bench.spots_data import SpotsPlan

if TYPE_CHECKING:
    from raytrace.scenario.schema import Scenario

__all__ = [
    "Shot",
    "SpotsByPhoto",
    "Wanted",
    "facet_meant",
    "gather",
    "in_turn",
    "log_entries",
    "read_shot",
    "sigma_of",
    "spot_rows",
    "wanted_of",
]

Array = NDArray[np.float64]

SEEN = 240  # pixels across the card as it is kept to look at
NEAR = 12e-3  # from a spot to the edge of its close-up [m]
CLOSE = 120  # pixels across the close-up


@dataclass(frozen=True, eq=False)
class Wanted:
    """What pictures are to tell: the spots of F facets.

    Attributes
    ----------
    scenario : Scenario
    labels : tuple of str
        Of all facets.
    present : ndarray of bool, shape (F,)
        Which of them are there.
    mark : ndarray, shape (F, 2)
        Where their spots belong, from the base's centre; nan where nowhere. [m]
    layout : CardLayout
        The smallest card that has room for the pot's base, and the facets' tags.
    """

    scenario: Scenario
    labels: tuple[str, ...]
    present: NDArray[np.bool_]
    mark: Array
    layout: CardLayout


@dataclass(frozen=True, eq=False)
class Shot:
    """One picture: whose spot it shows and where, or why that can't be read.

    Attributes
    ----------
    picture : str
        Its name.
    taken : datetime or None
        By the camera's clock.
    facet : str or None
        Whose spot it shows; None where that is not known.
    tag : str or None
        Facet of the printed tag that is seen in it.
    due : str or None
        Facet whose turn it is, where pictures come in order.
    place, sigma : ndarray, shape (2,), or None
        Spot along the platform's x and y from the base's centre, and its standard errors. [m]
    why : str
        Why it can't be read; empty where it is.
    places : tuple of (float, float)
        Spots between which nobody can choose. [m]
    notes : tuple of str
        Doubts about what was read.
    flat : FlatCard or None
        The card seen straight on.
    close : ndarray of uint8, shape (N, N, 3), or None
        The surroundings of its spot, `NEAR` to each side.
    """

    picture: str
    taken: dt.datetime | None = None
    facet: str | None = None
    tag: str | None = None
    due: str | None = None
    place: Array | None = None
    sigma: Array | None = None
    why: str = ""
    places: tuple[tuple[float, float], ...] = ()
    notes: tuple[str, ...] = ()
    flat: FlatCard | None = None
    close: NDArray[np.uint8] | None = None


@dataclass(frozen=True, eq=False)
class SpotsByPhoto:
    """What a number of pictures says of a cooker's facets.

    Attributes
    ----------
    wanted : Wanted
    shots : tuple of Shot
        Of all pictures, in the order they were given.
    last : dict of str to Shot
        The picture that counts for each facet that was read, in the facets' order.
    said : tuple of str
        What else the reader should know.
    """

    wanted: Wanted
    shots: tuple[Shot, ...]
    last: dict[str, Shot]
    said: tuple[str, ...]

    @property
    def unread(self) -> tuple[Shot, ...]:
        """Pictures that can't be read."""
        return tuple(shot for shot in self.shots if shot.why)

    @property
    def missing(self) -> tuple[str, ...]:
        """Facets of the cooker that were not read."""
        each = zip(self.wanted.labels, self.wanted.present, strict=True)
        return tuple(label for label, there in each if there and label not in self.last)

    @property
    def worst(self) -> float:
        """Largest standard error of a spot along an axis; nan where there is none. [m]"""
        return max((sigma_of(shot) for shot in self.last.values()), default=np.nan)


def wanted_of(scenario: Scenario) -> Wanted:
    """What pictures of a scenario's card are to tell.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Wanted
    """
    cooker = build_cooker(scenario)
    rig = tolerances_from_scenario(scenario).rig
    return Wanted(
        scenario,
        tuple(cooker.facets.label),
        cooker.facets.present,
        spots_on_plane(cooker, rig, "base"),
        card_layout(float(cooker.pot.R), cooker.facets.label),
    )


def in_turn(wanted: Wanted, files: Sequence[Path]) -> list[tuple[Path, str]]:
    """Pictures with the facets whose turn they are: one each, in the order of setting.

    Parameters
    ----------
    wanted : Wanted
    files : sequence of path

    Returns
    -------
    list of (path, str)
        In the order of their names, which cameras number.

    Raises
    ------
    SettingsError
        If there are more pictures than facets, or fewer.
    """
    order = order_of(spots_of(wanted.scenario, SpotsPlan(plane="base")))
    if len(files) != len(order):
        raise SettingsError(
            f"{len(files)} pictures and {len(order)} facets: in order there must be one for each. "
            "Name the pictures after their facets instead, A1.jpg."
        )
    return list(zip(sorted(files, key=lambda file: name_order(file.name)), order, strict=True))


def _time(text: str | None) -> dt.datetime | None:
    """Time as a camera notes it."""
    try:
        return dt.datetime.strptime(text or "", "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def facet_meant(
    named: Sequence[str], tag: str | None = None, due: str | None = None
) -> tuple[str | None, str]:
    """Facet that a picture shows, by its tag, its name and its turn: none where they disagree.

    Parameters
    ----------
    named : sequence of str
        Facets that its name speaks of.
    tag : str, optional
        Facet of the printed tag that is seen in it.
    due : str, optional
        Facet whose turn it is, where pictures come in order.

    Returns
    -------
    facet : str or None
    why : str
        Why none can be told.

    Examples
    --------
    >>> facet_meant(["A1"])[0], facet_meant(["A1", "B2"], tag="B2")[0], facet_meant([], due="C3")[0]
    ('A1', 'B2', 'C3')
    >>> facet_meant(["A1"], tag="B2")
    (None, 'the tag in it is of B2, and its name says A1.')
    """
    claims = [("its name says", tuple(named))] if named else []
    claims += [("its turn is that of", (due,))] if due else []
    claims = [("the tag in it is of", (tag,)), *claims] if tag else claims
    if not claims:
        words = "no tag is seen in it, and its name says no facet. Name it so: A1.jpg."
        return None, f"whose spot it shows is not known: {words}"
    left = set.intersection(*(set(facets) for _, facets in claims))
    if len(left) == 1:
        return left.pop(), ""
    told = ", and ".join(f"{what} {' and '.join(facets)}" for what, facets in claims)
    return None, f"{told}{'' if len(claims) > 1 else ': it is not known which is meant'}."


def read_shot(
    wanted: Wanted,
    path: Path,
    due: str | None = None,
    *,
    data: bytes | None = None,
    seen: int = SEEN,
) -> Shot:
    """Read one picture.

    Parameters
    ----------
    wanted : Wanted
    path : path
    due : str, optional
        Facet whose turn it is, where pictures come in order.
    data : bytes, optional
        Content of the file, if it is in memory already.
    seen : int
        Pixels across the card as it is kept to look at.

    Returns
    -------
    Shot

    Raises
    ------
    SettingsError
        If the library that reads pictures is not installed.
    """
    named = facets_named(path.stem, wanted.labels)
    shot = Shot(path.name, facet=facet_meant(named, due=due)[0], due=due)
    try:
        picture = open_picture(path if data is None else path.name, data)
        shot = replace(shot, taken=_time(picture.taken))
        card = find_card(picture, wanted.layout)
        shot = replace(shot, flat=card.flatten(seen), notes=card.notes)
        if len(card.tags) == 1:
            facet, why = facet_meant(named, card.tags[0], due)
            shot = replace(shot, tag=card.tags[0], facet=facet, why=why)
        spot = find_spot(picture, card)
    except PictureError as error:
        return replace(shot, why=shot.why or error.reason, places=error.places)
    shot = replace(shot, place=spot.place, sigma=spot.sigma, notes=spot.notes,
                   close=_close_up(card, spot.place))  # fmt: skip
    if shot.tag is None:
        facet, why = facet_meant(named, None, due)
        shot = replace(shot, facet=facet, why=why)
    return shot


def _close_up(card: FoundCard, place: Array) -> NDArray[np.uint8]:
    """Square of `NEAR` round a place, the sun's side up; what lies off the picture is grey."""
    step = np.linspace(-NEAR, NEAR, CLOSE)
    x, y = np.meshgrid(place[0] + step, place[1] - step)
    at = np.rint(card.to_picture(np.stack([x, y], axis=-1))).astype(int)
    pixels = card.picture.pixels
    column, row = np.moveaxis(at, -1, 0)
    there = (column >= 0) & (row >= 0) & (column < pixels.shape[1]) & (row < pixels.shape[0])
    out = np.full((CLOSE, CLOSE, 3), 128, dtype=np.uint8)
    out[there] = pixels[row[there], column[there]]
    return out


def sigma_of(shot: Shot) -> float:
    """The one standard error that a table has for both axes: the larger, so that none is too small.

    Parameters
    ----------
    shot : Shot
        That was read.

    Returns
    -------
    float
        [m]
    """
    assert shot.sigma is not None
    return float(np.max(shot.sigma))


def gather(wanted: Wanted, shots: Sequence[Shot]) -> SpotsByPhoto:
    """Which pictures count, one a facet.

    Parameters
    ----------
    wanted : Wanted
    shots : sequence of Shot
        In the order that they were given.

    Returns
    -------
    SpotsByPhoto

    Notes
    -----
    Of several pictures of a facet the last counts, as in the log: the facet may have been turned
    in between. If that one can't be read, the facet isn't: an earlier one may show what no longer
    is. Which is last, the camera's clock says where it dates all of them, else their names.
    """
    if slip := _slip(shots):
        shots = [s if s.why or s.tag else replace(s, facet=None, why=slip) for s in shots]
    said = []
    last = {}
    for label in wanted.labels:
        mine = [s for s in shots if s.facet == label]
        if not mine:
            continue
        dated = all(s.taken is not None for s in mine)
        mine.sort(key=lambda s: (s.taken if dated else dt.datetime.min, name_order(s.picture)))
        if mine[-1].why:
            if earlier := [s.picture for s in mine if not s.why]:
                said.append(
                    f"{label} counts as not read: its last picture can't be, and {earlier[-1]} may "
                    "show it before it was turned. Leave the last one out if it was not."
                )
            continue
        last[label] = mine[-1]
        if len(mine) > 1:
            by = "by the camera's clock" if dated else "by their names"
            said.append(f"{label} has {len(mine)} pictures: the last {by} counts, "
                        f"{mine[-1].picture}.")  # fmt: skip
    there = dict(zip(wanted.labels, wanted.present, strict=True))
    if gone := [label for label in last if not there[label]]:
        said.append(
            f"By the scenario there is no mirror at {', '.join(gone)}, where pictures show a spot."
        )
    return SpotsByPhoto(wanted, tuple(shots), last, tuple(said))


def _slip(shots: Sequence[Shot]) -> str:
    """Why pictures that come in order are not in order; empty where they are."""
    ordered = [shot for shot in shots if shot.due]
    for shot in ordered:
        if shot.tag and shot.tag != shot.due:
            return (
                f"the order has slipped: {shot.picture} shows the tag of {shot.tag} in the turn of "
                f"{shot.due}."
            )
    dated = [shot for shot in ordered if shot.taken]
    for a, b in pairwise(dated):
        if a.taken and b.taken and a.taken > b.taken:
            return (
                f"the order is not certain: {a.picture} comes before {b.picture} by name, and "
                "after it by the camera's clock."
            )
    return ""


def spot_rows(found: SpotsByPhoto) -> tuple[list[str], list[list[object]]]:
    """Table of measured spots, as `raytrace.scenario.tables.read_spots` reads it.

    Parameters
    ----------
    found : SpotsByPhoto

    Returns
    -------
    columns, rows : list
    """
    rows: list[list[object]] = []
    for label, shot in found.last.items():
        assert shot.place is not None
        x, y = (round(1e3 * float(v), 3) for v in shot.place)
        rows.append([label, x, y, round(1e3 * sigma_of(shot), 3), "ok"])
    return ["facet", "x_mm", "y_mm", "sigma_mm", "state"], rows


def log_entries(
    found: SpotsByPhoto, log: SetLog, now: dt.datetime
) -> tuple[list[Entry], list[str]]:
    """Rows to add to a log: never one that is there, nor one older than what the log has.

    Parameters
    ----------
    found : SpotsByPhoto
    log : SetLog
    now : datetime
        By the site's clock, with its offset: for pictures without a time of their own.

    Returns
    -------
    entries : list of Entry
        In the order they were taken.
    said : list of str
        What was left out.
    """
    entries, older = [], []
    for label, shot in found.last.items():
        assert shot.place is not None
        at = now if shot.taken is None else shot.taken
        at = at if at.tzinfo else at.replace(tzinfo=now.tzinfo)
        before = log.last.get(label)
        if before is not None:
            then = before.time if before.time.tzinfo else before.time.replace(tzinfo=now.tzinfo)
            if then >= at:
                older.append(label)
                continue
        x, y = map(float, shot.place)
        entries.append(Entry(at, label, x, y, sigma_of(shot)))
    words = f"The log has a reading as late or later of {', '.join(older)}: those pictures are "
    words += "not added."
    return sorted(entries, key=lambda e: e.time), [words] if older else []
