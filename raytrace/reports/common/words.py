"""Names of the ledger's lines as people read them."""

from __future__ import annotations

__all__ = ["LINE_NAMES"]

LINE_NAMES = {
    "cosine": "slant of the mirrors",
    "shaded": "shaded",
    "mirror": "lost in the mirrors",
    "blocked": "blocked",
    "missed": "missed the pot",
    "side": "on the pot's side",
    "lid": "on the pot's lid",
    "base": "delivered: on the base",
}
