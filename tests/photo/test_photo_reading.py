"""Photos read: numbers near the truth, likelihoods, and a reason for every refusal."""

from __future__ import annotations

import io

import numpy as np
import pytest
from loopodds.knowledge.records import Knowledge
from loopodds.photo.links import links_of, photo_likelihoods, weights_of
from loopodds.photo.liquids import Glass, family, greenness, measured
from loopodds.photo.marked import marked_picture
from loopodds.photo.marks import find_card
from loopodds.photo.pictures import open_picture
from loopodds.photo.reading import REMEDIES, read_picture
from photo_benches import ink, scale_of
from photo_colours import Camera, Liquid, green_dye
from photo_gardner import PATH_MM, gardner_liquids
from photo_shots import AMBER, read, rendered
from PIL import Image


@pytest.mark.slow
def test_gardner_colours_come_back_through_the_whole_chain():
    off = []
    for number, liquid in enumerate(gardner_liquids(), start=1):
        reading = read(rendered(liquid=liquid, inner_mm=PATH_MM), PATH_MM)
        assert reading.measured is not None
        assert not reading.refusals, number
        off.append(abs(reading.measured.gardner - number))
    assert max(off) <= 0.5  # half a step


@pytest.mark.slow
@pytest.mark.parametrize("light", ["A", "D65", "FL2", "FL11", "LED-B1", "LED-B4"])
def test_the_scale_is_read_under_every_lamp(light: str):
    liquid = Liquid(1.0, 55, 0.05)
    reading = read(rendered(liquid=liquid, light=light, camera=Camera(4, contrast=0.25)))
    assert reading.usable, reading.refusals
    assert reading.measured is not None
    assert reading.measured.scale == pytest.approx(scale_of(liquid), abs=0.5)
    low, high = reading.measured.low, reading.measured.high
    assert low - 0.3 <= scale_of(liquid) <= high + 0.3


def test_the_path_is_part_of_the_reading():
    narrow, wide = (read(rendered(), path) for path in (12.0, 14.0))
    assert narrow.measured is not None
    assert wide.measured is not None
    assert narrow.measured.scale > wide.measured.scale
    vague = read_picture(open_picture(rendered()), Glass(14.0, 3.0)).measured
    assert vague is not None
    assert vague.high - vague.low > wide.measured.high - wide.measured.low


def test_green_is_told_from_amber_and_cannot_be_seen_in_the_dark():
    green = read(rendered(liquid=Liquid(0.1, 60, dye=green_dye(0.35)))).measured
    amber = read(rendered()).measured
    assert green is not None
    assert amber is not None
    assert green.green > 15 > 5 > abs(amber.green)
    dark = read(rendered(liquid=Liquid(9.0, 75.0, 0.6)))
    assert dark.usable
    assert not dark.green_seen
    told = photo_likelihoods(dark, Knowledge())
    assert "sample_greenness" not in told
    assert max(told["sample_darkening"], key=told["sample_darkening"].get) == "black"


def test_grey_is_not_green_and_red_is_less_than_nothing():
    grey = np.array([[0.98074, 1.0, 1.18232]]) * 0.3
    assert greenness(grey) == pytest.approx(0.0, abs=0.2)
    assert greenness(grey * [1.3, 1, 1])[0] < -10
    assert greenness(grey * [0.7, 1, 1])[0] > 10


REFUSED = {
    "no_card": {"card": False},
    "shaded": {"shadow": 0.35},
    "bent": {"bend": 4.0},
    "clipped": {"camera": Camera(exposure=1.3)},
    "dark": {"camera": Camera(exposure=0.03)},
    "no_glass": {"glass": False},
    "bubbles": {"bubbles": 70},
    "cloud": {"cloud": 0.8},
    "layers": {"level_mm": 112.0},
    "unlike": {"liquid": ink(np.random.default_rng(3))},
    "far": {"fill": 0.55},
}


@pytest.mark.parametrize("reason", REFUSED)
def test_a_photo_that_is_no_evidence_is_refused_with_its_remedy(reason: str):
    reading = read(rendered(**REFUSED[reason]))
    assert reason in [refused.reason for refused in reading.refusals]
    assert all(r.remedy == REMEDIES[r.reason] and r.problem for r in reading.refusals)
    assert not photo_likelihoods(reading, Knowledge())
    assert reading.as_json()["measured"] is None


def test_a_hand_over_part_of_a_ring_is_refused():
    values = np.array(Image.open(io.BytesIO(rendered())).convert("RGB"))
    found = find_card(values)
    assert found is not None
    x, y = found.corners[2].astype(int)
    values[y + 18 :, x - 60 : x + 60] = (205, 160, 135)
    out = io.BytesIO()
    Image.fromarray(values).save(out, "JPEG", quality=92)
    assert [r.reason for r in read(out.getvalue()).refusals] == ["covered"]


def test_a_liquid_as_dark_as_stray_light_is_not_called_cloudy():
    camera = Camera(flare=0.007)
    reading = read(rendered(liquid=Liquid(9.0, 75.0, 0.9), camera=camera))
    assert reading.refusals == ()
    assert reading.measured is not None
    assert reading.measured.darker
    assert reading.measured.place == "darker than 8"
    assert reading.measured.interval == "darker than 8"


def test_little_blue_beside_much_red_is_doubted_more_than_little_of_all():
    amber = measured(np.array([0.8, 0.5, 0.02]), np.full(3, 0.01), Glass(10.65, 0.1))
    other = measured(np.array([0.8, 0.5, 0.06]), np.full(3, 0.01), Glass(10.65, 0.1))
    # sRGB has hardly any blue there: three times as much is no other liquid
    assert abs(amber.scale - other.scale) < 0.3
    grey = measured(np.array([0.05, 0.05, 0.02]), np.full(3, 0.01), Glass(10.65, 0.1))
    plain = measured(np.array([0.05, 0.05, 0.06]), np.full(3, 0.01), Glass(10.65, 0.1))
    assert grey.apart + plain.apart < 9


def test_a_fogged_glass_is_refused():
    assert not read(rendered(fog=0.8)).usable


def test_a_glass_of_unknown_or_impossible_width_is_refused():
    picture = open_picture(rendered())
    for glass in (None, Glass(3.0, 0.1), Glass(26.0, 0.3)):
        reading = read_picture(picture, glass)
        assert "path" in [refused.reason for refused in reading.refusals]


def test_a_good_photo_has_no_refusal_and_likelihoods_for_every_word():
    reading = read(rendered())
    assert reading.refusals == ()
    told = photo_likelihoods(reading, Knowledge())
    assert {*told} == {*links_of(Knowledge())}
    for name, weights in told.items():
        assert {*weights} == {*Knowledge().node(name).states}
        assert max(weights.values()) == 1
        assert min(weights.values()) > 0
    assert reading.measured is not None
    assert reading.measured.scale == pytest.approx(scale_of(AMBER), abs=0.5)


def test_likelihoods_say_nothing_where_the_posterior_is_the_prior():
    liquids = family()
    prior = liquids.weight / liquids.weight.sum()
    link = links_of(Knowledge())["sample_darkening"]
    weights = weights_of(link, prior)
    # the ends of the scale cut a little off the outer words
    assert weights == pytest.approx(np.ones(4), abs=0.12)


def test_what_was_measured_is_drawn():
    drawn = marked_picture(read(rendered()))
    assert drawn is not None
    image = Image.open(io.BytesIO(drawn))
    assert image.size == (780, 1104)
    assert marked_picture(read(rendered(card=False))) is None
