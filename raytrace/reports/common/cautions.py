"""What to take care of: shown where the hazard is, in full by `cooker cautions`."""

from __future__ import annotations

__all__ = [
    "CAUTIONS",
    "COOKING",
    "IN_BRIEF",
    "KITCHEN",
    "LASER",
    "LASER_HERE",
    "LIT_PLATE",
    "SETTING",
    "STRAY",
    "SUNLIT_CARD",
    "SUN_HEIGHT",
    "on_page",
]

IN_BRIEF = (
    "Caution: the spot and the mirrors blind, burn and set things alight, also where the light "
    "is not aimed. Cover the mirrors before you go near. `cooker cautions` says more."
)

SETTING = (
    "Caution: setting facets means laser light, glass edges and hot glue. Never look into the "
    "beam or its reflections. `cooker cautions` says more."
)

SUN_HEIGHT = (
    "Caution: never look at the sun to judge its height, nor along a mirror: measure the shadow of "
    "an upright stick instead. Sunglasses are no protection. `cooker cautions` says more."
)

LASER = (
    "Caution: a laser of class 2 (1 mW) or less, whatever its label promises. Never look into the "
    "beam or into a mirror that it strikes; each facet throws it on: keep all eyes, animals and "
    "windows out of its ways, and set facets indoors or shaded. `cooker cautions` says more."
)

# stays in view while a facet is set
LASER_HERE = "Laser on: every eye out of the beam and of what each facet throws back."

LIT_PLATE = (
    "Caution: never look at the lit plate, nor through a camera at the beam: the light blinds and "
    "sets things alight. No unprotected camera into the beam: photograph the plate from the side, "
    "through a filter made for the sun, and set up and aim with the mirrors covered. `cooker "
    "cautions` says more."
)

SUNLIT_CARD = (
    "Caution: never bring an eye or a camera into the beam, and don't look at the spot: it blinds, "
    "and dark glasses are no protection. Paper in it may catch fire: uncover few facets, for a "
    "short time, with water at hand and nothing behind the card that burns. Cover the mirrors "
    "while you lay the card and set up; take the picture from the side. `cooker cautions` says "
    "more."
)

STRAY = (
    "Caution: cover the mirrors, or turn them face down or into the shade, whenever nobody minds "
    "them. Never look at the spot or into a mirror; sunglasses are no protection. Keep children "
    "away, and leave nothing that burns in the beam. Distances computed here prove no place safe: "
    "follow local codes. `cooker cautions` says more."
)

# Temperatures: USDA Food Safety and Inspection Service, Safe Minimum Internal Temperature Chart
# and "Danger Zone (40 °F - 140 °F)"; seen as others quote them.
COOKING = (
    "Caution: steam and spilt food scald, and a pot left alone boils dry. The glare of mirrors and "
    "pot blinds; sunglasses are no protection. Food is safe by the temperature in its middle, not "
    "by a time computed here: measure it (USDA FSIS: poultry 165 °F, 73.9 °C), and keep none "
    "between 40 and 140 °F (4 to 60 °C) for over two hours. Follow local advice. `cooker cautions` "
    "says more."
)

# on a page that hangs in a kitchen
KITCHEN: tuple[tuple[str, str], ...] = (
    (
        "Eyes",
        "Never look into the spot, at the lit pot or into a mirror. Sunglasses are no protection. "
        "Keep children away.",
    ),
    (
        "Burns",
        "Cover the mirrors before you reach for the pot. Wear gloves for heat. Open the lid away "
        "from you: steam scalds.",
    ),
    (
        "Food",
        "Food is safe by the temperature in its middle, not by a time on this page: measure it "
        "(poultry and leftovers 74 °C, 165 °F). Throw away what stood between 4 and 60 °C (40 and "
        "140 °F) for over two hours, one in heat over 32 °C (90 °F).",
    ),
    (
        "Never leave it",
        "A pot left alone boils dry and burns, and the light of a cooker left alone sets things "
        "alight. Cover the mirrors when you go.",
    ),
)

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Eyes",
        "Never look into the spot, at the lit base of the pot, or into a mirror that faces the "
        "sun: the retina burns without pain, within a fraction of a second. Sunglasses are no "
        "protection. Stand so that no mirror can send you its light, keep children and "
        "passers-by away, and look at the pot only when the mirrors are covered or turned away. "
        "Point no camera into the beam without a filter made for the sun, and never look through "
        "one.",
    ),
    (
        "Burns",
        "The spot burns skin and clothes at once, and the pot, its stand and the ground about it "
        "stay hot. Cover the mirrors or turn the platform out of the sun before you reach for "
        "the pot. Use gloves made for heat; a tilted pot spills boiling food.",
    ),
    (
        "Steam and boiling",
        "Open a lid away from you, with the mirrors covered: steam scalds, and water that has "
        "stood still can boil up at a touch. Never leave a pot alone: it boils over, boils dry and "
        "then glows, and its contents and what stands near it catch fire. Never seal a pot tight; "
        "a pressure cooker needs its own valve in order, and a cook beside it.",
    ),
    (
        "Food",
        "Food is safe by the temperature in its middle, which a thermometer tells and a computed "
        "time does not. The Food Safety and Inspection Service of the US Department of "
        "Agriculture asks for 165 °F (73.9 °C) in all poultry and in leftovers, 160 °F (71.1 °C) "
        "in ground meat, 145 °F (62.8 °C) and three minutes of rest in whole cuts of other meat, "
        "and that no food stay between 40 and 140 °F (4.4 to 60 °C) for over two hours, one hour "
        "in air above 90 °F (32 °C). So put no meat up on a day that may cloud over, and throw "
        "away what stayed lukewarm. Beans such as kidney beans are poisonous until well boiled: "
        "the US Food and Drug Administration (Bad Bug Book, 2nd edition) asks for five hours of "
        "soaking and 30 minutes of boiling in fresh water. High in the mountains water boils at "
        "less, and all of this takes longer. Water is made safe to drink by a rolling boil of one "
        "minute, three above 6 500 ft (2 000 m), by the US Centers for Disease Control and "
        "Prevention. These figures are quoted from memory or at second hand: follow local advice.",
    ),
    (
        "Fire",
        "Light that misses the pot, and light from a platform that stands wrong, can gather "
        "elsewhere: on walls, dry grass, cars, a neighbour's window; `cooker stray` says where. "
        "Cover the mirrors whenever the cooker is not watched, also out of use and under cloud, "
        "and store it with the mirrors face down or in the shade. Keep the surroundings bare and "
        "water at hand.",
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


def on_page(caution: str) -> str:
    """A caution on a page that ends with all of them.

    Parameters
    ----------
    caution : str

    Returns
    -------
    str

    Examples
    --------
    >>> on_page("Wear gloves. `cooker cautions` says more.")
    'Wear gloves. More stands at the end of this page.'
    """
    return caution.replace("`cooker cautions` says more.", "More stands at the end of this page.")
