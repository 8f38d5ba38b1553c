"""What to take care of: shown where the hazard is, in full by `cooker cautions`."""

from __future__ import annotations

__all__ = ["CAUTIONS", "IN_BRIEF", "SETTING"]

IN_BRIEF = (
    "Caution: the spot and the mirrors blind, burn and set things alight, also where the light "
    "is not aimed. Cover the mirrors before you go near. `cooker cautions` tells more."
)

SETTING = (
    "Caution: setting facets means laser light, glass edges and hot glue. Never look into the "
    "beam or its reflections. `cooker cautions` tells more."
)

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Eyes",
        "Never look into the spot, at the lit base of the pot, or into a mirror that faces the "
        "sun: the retina burns without pain, within a fraction of a second. Sunglasses are no "
        "protection. Stand so that no mirror can send you its light, keep children and "
        "passers-by away, and look at the pot only when the mirrors are covered or turned away.",
    ),
    (
        "Burns",
        "The spot burns skin and clothes at once, and the pot, its stand and the ground about it "
        "stay hot. Cover the mirrors or turn the platform out of the sun before you reach for "
        "the pot. Use gloves made for heat; a tilted pot spills boiling food.",
    ),
    (
        "Fire",
        "Light that misses the pot, and light from a platform that stands wrong, can gather "
        "elsewhere: on walls, dry grass, cars, a neighbour's window. Cover the mirrors whenever "
        "the cooker is not watched, also out of use and under cloud, and store it with the mirrors "
        "face down or in the shade. Keep the surroundings bare and water at hand.",
    ),
    (
        "Laser",
        "Use a laser of class 1 or 2 (IEC 60825-1: below 1 mW of visible light) for setting the "
        "facets, no stronger one, and know that pointers are often stronger than their label "
        "says. Mirrors send the beam on: never look into it or its reflections, keep them below "
        "or above eye height, and let nobody walk through.",
    ),
    (
        "Glass",
        "Mirror glass has edges that cut, and breaks into splinters. Wear gloves and goggles, "
        "dull the edges with a stone, and tape the backs so that a broken facet holds together. "
        "Throw away facets with cracks: heat and wind let them fly.",
    ),
    (
        "Hot glue",
        "Hot glue sticks to skin and burns on; keep cold water within reach. It softens again in "
        "the sun: a facet that was set with it moves, and its light goes elsewhere.",
    ),
    (
        "Wind",
        "A platform of mirrors is a sail. Tie it down or load it, and let no gust tip the pot.",
    ),
    (
        "Rules",
        "Follow local codes on open fire, glare and buildings, and ask a licensed professional "
        "where they require one, or where anything is fixed to a building.",
    ),
    (
        "What is computed",
        "A prediction is no safety limit: real mirrors, real hands and real weather differ from "
        "any scenario. Nothing here says that a place is safe to look from or to stand in.",
    ),
)
