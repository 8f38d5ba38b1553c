"""Card and spot in rendered photographs, whose truth is known; and what can't be read is said."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest
from camera.rendered import Blob, Scene, photograph, random_scene, seen
from checks import ALPHA
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy import stats

from raytrace.camera.card import card_layout
from raytrace.camera.finding import find_card
from raytrace.camera.spots import find_spot
from raytrace.exceptions import PictureError, SettingsError

pytest.importorskip("cv2")

LAYOUT = card_layout(0.10, ("A1", "A2", "B7"))
SMALL = Scene(LAYOUT, width=800, height=600, distance=0.29)


def scene(**changes):
    return dataclasses.replace(SMALL, **changes)


def measured(one):
    picture = photograph(one)
    return find_spot(picture, find_card(picture, one.layout))


def refused(one, words):
    with pytest.raises(PictureError, match=words) as caught:
        measured(one)
    assert caught.value.name == "rendered.jpg"
    return caught.value


def test_card_and_spot_where_they_are():
    """An ordinary photograph: the way to the picture and back, the spot, its error and colour."""
    picture = photograph(SMALL)
    card = find_card(picture, LAYOUT)
    assert card.seen.all()
    assert card.slant == pytest.approx(20.0, abs=2.0)
    places = np.array([[0.0, 0.0], [0.05, 0.02], [-0.07, 0.06], [0.03, -0.09]])
    there = np.array([seen(SMALL, place) for place in places])
    assert card.to_card(there) == pytest.approx(places, abs=0.2e-3)
    assert card.to_picture(places) == pytest.approx(there, abs=0.4)
    assert card.to_picture(card.to_card(there)) == pytest.approx(there, abs=1e-6)
    spot = find_spot(picture, card)
    assert spot.place == pytest.approx(SMALL.truth(), abs=0.3e-3)
    assert (spot.sigma < 0.6e-3).all()
    assert (spot.colour, spot.tag) == ("red", None)
    flat = card.flatten(440)
    assert flat.pixel == pytest.approx(2.0 * LAYOUT.half / 440)
    rows, columns = np.unravel_index(
        np.argmax(flat.pixels[..., 0].astype(int) - flat.pixels[..., 1]), (440, 440)
    )
    assert flat.places(rows, columns) == pytest.approx(SMALL.truth(), abs=2e-3)


def test_errors_and_intervals_over_many_photographs():
    """Errors under 1 mm in 95 of 100, 95 % intervals that cover: by the binomial distribution.

    survey.py does the same for hundreds of them.
    """
    off, sigma = [], []
    for k in range(6):
        one = random_scene(np.random.default_rng([16, k]), width=1000, reach=0.10, near=0.7)
        try:
            spot = measured(one)
        except PictureError:
            continue
        off.append(spot.place - one.truth())
        sigma.append(spot.sigma)
        assert spot.colour == one.laser
    assert len(off) >= 4  # small dim spots on a ring of another colour are not found
    far = np.sum(np.hypot(*np.transpose(off)) > 1e-3)
    assert stats.binom.sf(far - 1, len(off), 0.05) > ALPHA
    outside = np.sum((np.abs(off) > 1.96 * np.array(sigma)).any(axis=1))
    # two axes of one spot may err together
    assert stats.binom.sf(outside - 1, len(off), 0.10) > ALPHA


# rendering takes long, so nothing is shrunk
@settings(max_examples=3, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    st.floats(0.0, 50.0), st.floats(0.0, 360.0), st.floats(-180.0, 180.0),
    st.floats(-0.05, 0.05), st.sampled_from(["red", "green", "violet"]), st.floats(1.2, 8.0),
    st.tuples(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05)),
)  # fmt: skip
def test_any_pose_lens_laser_and_power(slant, side, roll, bend, laser, power, place):
    blobs = (Blob(place, power=power),)
    one = scene(slant=slant, side=side, roll=roll, lens=(bend, 0.0), laser=laser, blobs=blobs)
    spot = measured(one)
    off = np.abs(spot.place - one.truth())
    assert (off < np.maximum(4.0 * spot.sigma, 0.5e-3)).all()
    assert np.hypot(*off) < 1e-3
    assert spot.colour == laser


def test_overexposed_smeared_and_shadowed():
    bright = measured(scene(blobs=(Blob((0.02, -0.03), (1.5e-3, 1.5e-3), power=15.0),)))
    assert bright.place == pytest.approx([0.02, -0.03], abs=0.6e-3)
    assert "overexposed" in " ".join(bright.notes)
    smear = measured(scene(blobs=(Blob((-0.02, 0.01), (8e-3, 1e-3), 0.5, 1.0, 0.3),)))
    assert smear.place == pytest.approx(
        np.array([-0.02, 0.01]) + 0.3 * 8e-3 * np.array([np.cos(0.5), np.sin(0.5)]), abs=1.2e-3
    )
    assert "smeared over" in " ".join(smear.notes)
    assert smear.sigma[0] > smear.sigma[1]
    shadow = measured(scene(shadow=(30.0, 0.0, 0.3, 2e-3), blobs=(Blob((-0.03, 0.04), power=0.8),)))
    assert shadow.place == pytest.approx([-0.03, 0.04], abs=0.6e-3)


def test_part_of_the_card_may_be_covered():
    """A hand over a corner: skin is no laser, and the other markers do."""
    spot = measured(scene(covered=((0.10, 0.10, 0.06), (-0.1, 0.0, 0.02))))
    assert spot.place == pytest.approx(SMALL.truth(), abs=0.6e-3)


def test_which_facet_a_tag_says():
    number = LAYOUT.tags["B7"]
    assert measured(scene(tags=((number, -0.14, 0.0),))).tag == "B7"
    refused(scene(tags=((number, -0.14, 0.0), (number - 1, 0.14, 0.0))), "tags of facets A2 and B7")
    other = measured(scene(tags=((number + 5, -0.14, 0.0),)))
    assert other.tag is None
    assert "no facet" in other.notes[0]


def test_two_spots_are_never_chosen_between():
    two = (Blob((0.02, -0.03)), Blob((-0.03, 0.02), power=0.6))
    error = refused(scene(blobs=two), "2 spots, at x 20 mm, y -30 mm and x -30 mm, y 20 mm")
    assert np.array(error.places) == pytest.approx(
        np.array([[0.02, -0.03], [-0.03, 0.02]]), abs=1e-3
    )
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.places) == (str(error), error.places)
    # close together, their light runs into each other
    near = (Blob((0.02, -0.03), (2e-3, 2e-3)), Blob((0.03, -0.03), (2e-3, 2e-3)))
    refused(scene(blobs=near), "2 spots")


def test_spots_that_are_not_there_or_can_not_be_told():
    refused(scene(blobs=()), "no spot on the card")
    refused(scene(blobs=(Blob((0.0, 0.3)),)), "no spot on the card")
    refused(scene(blobs=(Blob((0.0, LAYOUT.half), (2e-3, 2e-3)),)), "card's edge")
    marker = LAYOUT.corners[0].mean(axis=0)
    edge = (float(marker[0]) - 0.014, float(marker[1]))
    refused(scene(blobs=(Blob(edge, (2e-3, 2e-3)),)), "on a marker|over the card's edge|no spot")
    refused(
        scene(blobs=(), shadow=(30.0, 0.0, 0.3, 2e-3), glare=(0.02, 0.03, 0.015, 0.5)), "no spot"
    )
    refused(scene(exposure=1.6), "overexposed|no spot")


def test_cards_that_can_not_be_read():
    refused(scene(distance=4.0), "no card found|too small|too few")
    refused(scene(aim=(2.0, 0.0)), "no card found")
    refused(scene(aim=(0.17, 0.17), distance=0.25), "cut off")
    refused(scene(slant=72.0), "aslant|too few|no card found")
    refused(scene(blur=9.0), "blurred")
    refused(scene(motion=(25.0, 5.0)), "blurred")
    refused(scene(exposure=0.003), "dark")
    refused(scene(mirrored=True), "mirror image")
    beside = ((0.26, 0.0, LAYOUT),)
    refused(scene(others=beside, distance=0.5), "two cards")
    other = ((0.26, 0.0, card_layout(0.11)),)
    refused(scene(others=other, distance=0.5), "two cards, of different sizes")
    refused(scene(bow=0.02, slant=40.0), "bent")


def test_card_of_another_size_is_read_with_a_word():
    picture = photograph(SMALL)
    card = find_card(picture, card_layout(0.12))
    assert card.layout.half == LAYOUT.half
    assert "220 mm wide, less than this scenario's takes, 260 mm" in card.notes[0]
    assert find_spot(picture, card).place == pytest.approx(SMALL.truth(), abs=0.4e-3)


def test_one_sentence_without_the_library(monkeypatch):
    picture = photograph(SMALL)
    monkeypatch.setitem(__import__("sys").modules, "cv2", None)
    with pytest.raises(SettingsError, match=r"pip install \"\.\[photo\]\"\.$"):
        find_card(picture, LAYOUT)
