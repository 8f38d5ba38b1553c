"""Names of the ledger's lines as people read them."""

from __future__ import annotations

__all__ = ["LINE_NAMES"]

LINE_NAMES = {
    "cosine": "lost to slant",
    "shaded": "shaded",
    "mirror": "absorbed by the mirrors",
    "blocked": "blocked",
    "missed": "missed the pot",
    "side": "on the pot's side",
    "lid": "on the pot's lid",
    "base": "delivered: on the base",
}
