"""The vision library, which is an extra."""

from __future__ import annotations

from types import ModuleType

from raytrace.exceptions import SettingsError

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
            'reading photographs needs one more package: pip install "cooker-raytrace[photo]".'
        ) from None
    return cv2
