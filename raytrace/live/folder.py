"""The one folder whose scenarios the page may list, read and write, by plain names alone."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from raytrace.exceptions import StoreError
from raytrace.files import write_whole
from raytrace.scenario.toml_text import LARGEST
from raytrace.texts import cut, read_text, shown

__all__ = ["Folder", "text_of"]

# no separators, no drive, no stream, nothing hidden, nothing that a shell or a terminal obeys
PLAIN = re.compile(r"\w[\w .,+&()-]{0,99}\.toml")
# what Windows takes for a device, whatever its ending
DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
MOST = 200  # scenarios listed


def text_of(path: Path) -> str:
    """Text of a scenario's file, told by its name alone.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str

    Raises
    ------
    StoreError
        If it can't be read.
    """
    try:
        return read_text(path, LARGEST)
    except ValueError as error:
        raise StoreError(f"{path.name}: {error}") from None
    except OSError as error:
        raise StoreError(f"{path.name}: can't be read: {error.strerror}.") from None


@dataclass(frozen=True)
class Folder:
    """A folder of scenarios. Nothing beside it is ever read, written or told of.

    Attributes
    ----------
    path : Path
    """

    path: Path

    def names(self) -> list[str]:
        """Scenarios that can be opened.

        Returns
        -------
        list of str
            Sorted, at most `MOST`.
        """
        try:
            found = sorted(p.name for p in self.path.iterdir() if PLAIN.fullmatch(p.name))
        except OSError:
            return []
        return [name for name in found if self._is_ours(name)][:MOST]

    def read(self, name: str) -> str:
        """Text of a scenario.

        Parameters
        ----------
        name : str
            As `names` has it.

        Returns
        -------
        str

        Raises
        ------
        StoreError
            If the name is none of this folder's, or what it names can't be read.
        """
        path = self.place(name)
        if not path.is_file():
            raise StoreError(f"{name}: no such scenario in this folder.")
        return text_of(path)

    def write(self, name: str, text: str, *, replace: bool = False) -> int:
        """Write a scenario whole or not at all.

        Parameters
        ----------
        name : str
        text : str
        replace : bool
            Whether a scenario of this name may be replaced.

        Returns
        -------
        int
            Size of the file. [bytes]

        Raises
        ------
        StoreError
            If the name is no plain one, is taken and not to be replaced, the text is too long,
            or it can't be written.
        """
        path = self.place(name)
        if path.exists() and not path.is_file():
            raise StoreError(f"{name}: is there and is no file. Give another name.")
        if path.exists() and not replace:
            raise StoreError(f"{name}: is there already. Replace it, or give another name.")
        data = text.encode("utf-8")
        if len(data) > LARGEST:
            raise StoreError(f"{name}: longer than {LARGEST / 1e6:g} MB, so it is not written.")
        try:
            return write_whole(path, data, new=not replace, option="")
        except StoreError as error:
            why = str(error).removeprefix(str(path))
            raise StoreError(f"{name}{why}") from None

    def place(self, name: str) -> Path:
        """Where a scenario of this folder is, or would be.

        Parameters
        ----------
        name : str

        Returns
        -------
        Path

        Raises
        ------
        StoreError
            If the name is no plain one that ends in .toml, or leads out of the folder.
        """
        if not PLAIN.fullmatch(name) or DEVICES.match(name):
            raise StoreError(
                f"{shown(cut(name, 60))}: write a plain name such as mine.toml: letters, digits, "
                "spaces, dots and dashes, without a folder."
            )
        if not self._is_ours(name):
            raise StoreError(f"{name}: leads out of this folder, so it is left alone.")
        return self.path / name

    def _is_ours(self, name: str) -> bool:
        """Whether a name, its link followed, stays in the folder."""
        real = os.path.realpath(self.path / name)
        loops = os.path.islink(real)  # a link that leads to itself is followed nowhere
        return os.path.dirname(real) == os.path.realpath(self.path) and not loops
