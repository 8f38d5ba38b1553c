"""The vision library, which is an extra."""

from __future__ import annotations

from types import ModuleType

from raytrace.exceptions import SettingsError
from raytrace.texts import install_words

__all__ = ["vision"]


def vision() -> ModuleType:
    """Import OpenCV.

    Returns
    -------
    module

    Raises
    ------
    SettingsError
        If it is not installed.
    """
    try:
        import cv2
    except ImportError:
        raise SettingsError(
            f"reading photographs needs one more package. {install_words('photo')}"
        ) from None
    return cv2
