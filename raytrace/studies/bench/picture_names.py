"""Which pictures are meant, in what order, and which facet a picture's name says that it shows."""

from __future__ import annotations

import glob
import re
from collections.abc import Collection, Sequence
from pathlib import Path

from raytrace.scenario.tables import known_label

__all__ = ["facets_named", "name_order", "pictures_of"]

# a cell's letters and number that stand alone: "A1", "facet C3 second", "IMG_b-12"
CELL = re.compile(r"(?<![^\W_])([A-Za-z]+)[\s._-]?0*([1-9]\d*)(?![^\W_])")
# of what cameras save in a folder, whether it can be read or is refused
ENDINGS = frozenset(
    f".{ending}"
    for ending in (
        *("jpg", "jpeg", "jpe", "mpo", "png", "webp", "heic", "heif", "avif", "tif", "tiff"),
        *("bmp", "gif", "dng"),
    )
)
LETTER = re.compile(r"[^\W\d_]")


def facets_named(stem: str, labels: Collection[str]) -> tuple[str, ...]:
    """Facets that a file's name speaks of.

    Parameters
    ----------
    stem : str
        The name without its ending.
    labels : collection of str
        Of the facets that there are.

    Returns
    -------
    tuple of str
        None where no facet is named, more than one where it can't be told which is meant.

    Notes
    -----
    A label without letters is taken from the whole name or after the word facet alone: cameras
    number their files.

    Examples
    --------
    >>> [
    ...     facets_named(stem, {"A1", "B12"})
    ...     for stem in ("A1", "facet b-12 second", "IMG_2031", "A1 or B12", "IMG_A01 (2)")
    ... ]
    [('A1',), ('B12',), (), ('A1', 'B12'), ('A1',)]
    >>> [facets_named(stem, {"3", "inner 3"}) for stem in ("IMG_3", "facet 3", "Inner 3, again")]
    [(), ('3',), ('inner 3',)]
    """
    stem = stem.strip()
    if (whole := known_label(stem, labels)) is not None:
        return (whole,)
    spoken = re.sub(r"^facet[\s._-]+", "", stem, flags=re.IGNORECASE)
    if spoken != stem and (whole := known_label(spoken, labels)) is not None:
        return (whole,)
    cells = (known_label(cell[0], labels) for cell in CELL.finditer(stem))
    found = {label for label in cells if label is not None}
    found |= {label for label in labels if LETTER.search(label) and _speaks(stem, label)}
    # of "inner 3" and "upper inner 3" the longer is meant
    return tuple(
        sorted(x for x in found if not any(x != other and _speaks(other, x) for other in found))
    )


def _speaks(text: str, word: str) -> bool:
    """Whether a word stands in a text, alone, in small letters or large."""
    return bool(re.search(rf"(?<![^\W_]){re.escape(word)}(?![^\W_])", text, re.IGNORECASE))


def name_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Key that sorts names as people number them: 2 before 10.

    Parameters
    ----------
    name : str

    Returns
    -------
    tuple

    Examples
    --------
    >>> sorted(["IMG10", "IMG9", "img1"], key=name_order)
    ['img1', 'IMG9', 'IMG10']
    """
    words = re.split(r"([0-9]+)", name.casefold())  # every second one is a number
    return tuple((1, int(w), "") if k % 2 else (0, 0, w.strip()) for k, w in enumerate(words) if w)


def pictures_of(given: Sequence[Path]) -> tuple[list[Path], list[str], list[str]]:
    """Files that are meant: those named, those of a folder, those that a pattern fits.

    Parameters
    ----------
    given : sequence of path
        A pattern with ``*``, ``?`` or ``[`` serves where the shell left one as it is.

    Returns
    -------
    files : list of path
        Each once; those of a folder or a pattern by their names.
    empty : list of str
        What was given and holds no picture.
    passed : list of str
        Names of files in folders that are no pictures.
    """
    files: dict[Path, None] = {}
    empty, passed = [], []
    for path in given:
        if path.is_dir():
            there = [file for file in path.iterdir() if _plain(file)]
            found = [file for file in there if file.suffix.casefold() in ENDINGS]
            passed += sorted(file.name for file in set(there) - set(found))
        elif glob.has_magic(str(path)) and not path.exists():
            found = [f for f in map(Path, glob.glob(str(path), recursive=True)) if _plain(f)]
        else:
            found = [path]
        if not found:
            empty.append(str(path))
        files |= dict.fromkeys(sorted(found, key=lambda file: name_order(file.name)))
    return list(files), empty, passed


def _plain(path: Path) -> bool:
    return path.is_file() and not path.name.startswith(".")
