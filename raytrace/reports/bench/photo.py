"""Pictures of the target card, in words: how to take them."""

from __future__ import annotations

__all__ = ["CAMERA", "PHOTO_STEPS"]

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
