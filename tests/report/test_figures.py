"""Pictures: whole SVG documents that say in words what they show, the same for the same data."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest
from loopodds.base.errors import UnknownName
from loopodds.knowledge.records import Knowledge
from loopodds.report.document import environment
from loopodds.report.figures import (
    LINES,
    Bar,
    Moment,
    Picture,
    Rows,
    course_picture,
    network_picture,
    twenty_dots,
    weights_picture,
    what_if_picture,
    wrapped,
)
from shared import loaded_after, luminance

MOMENTS = [
    Moment("before anything was seen", {"moisture": 0.13, "leak": 0.4}),
    Moment("Moisture indicator: wet", {"moisture": 0.62, "leak": 0.38}),
]
TITLES = {"moisture": "Water in the loop", "leak": "Leak"}
PICTURES = {
    "course": lambda: course_picture(MOMENTS, TITLES),
    "weights": lambda: weights_picture(-8.0, [Bar("wet", 12.0), Bar("cloudy: none", -2.0)], 2.0),
    "what if": lambda: what_if_picture([Rows("Leak", 0.4, (0.2, 0.9))], ["dry", "oily"]),
    "network": lambda: network_picture("moisture", Knowledge()),
}


@pytest.fixture(params=PICTURES)
def picture(request) -> Picture:
    return PICTURES[request.param]()


def test_a_picture_is_a_whole_svg_document(picture):
    root = ET.fromstring(picture.svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert len(picture.svg) < 150_000


def test_nothing_in_a_picture_points_outside_it(picture):
    links = re.findall(r'(?:href|src|url)\s*[=(]\s*"?([^")\s>]+)', picture.svg)
    assert all(link.startswith("#") for link in links)


def test_a_picture_says_what_it_shows(picture):
    assert len(picture.alt) > 30
    assert picture.alt.endswith(".")


@pytest.mark.parametrize("name", PICTURES)
def test_the_same_data_give_the_same_picture(name):
    assert PICTURES[name]().svg == PICTURES[name]().svg


def test_the_words_give_the_numbers_of_the_course():
    assert "Water in the loop 13 to 62 per cent" in PICTURES["course"]().alt


def test_the_words_give_the_weights():
    alt = PICTURES["weights"]().alt
    assert "wet +12.0" in alt
    assert "cloudy: none -2.0" in alt
    assert "all together +2.0" in alt


def test_the_words_name_parents_and_children():
    alt = PICTURES["network"]().alt
    assert "depends on leak" in alt
    assert "moisture indicator" in alt.split("shows in")[1]


def test_a_node_that_does_not_exist_is_refused():
    with pytest.raises(UnknownName, match="did you mean 'moisture'"):
        network_picture("moistrue", Knowledge())


def test_lines_differ_in_more_than_colour_and_stand_out_from_paper():
    dashes = [str(dash) for _, dash, _ in LINES]
    marks = [mark for _, _, mark in LINES]
    assert len(set(dashes)) == len(set(marks)) == len(LINES)
    for colour, _, _ in LINES:
        # 3 to 1 is the least contrast of graphical objects (WCAG 2.1, 1.4.11)
        assert 1.05 / (luminance(colour) + 0.05) >= 3


def test_a_long_label_keeps_its_end_where_the_state_stands():
    label = "Difference between the temperatures of the left and the right vents: high"
    assert wrapped(label).endswith("high")
    assert wrapped("Leak: slow") == "Leak: slow"


def test_drawing_is_not_paid_for_by_those_who_do_not_draw():
    loaded = loaded_after("import loopodds.report.figures, loopodds.papers.content")
    assert "matplotlib" not in loaded


@pytest.mark.parametrize(
    ("now", "low", "high", "said", "shades"),
    [
        (0.84, 0.71, 0.92, "17 of 20, could be 14 to 18", (14, 3, 1, 2)),
        (0.84, None, None, "17 of 20", (17, 0, 0, 3)),
        (0.02, 0.001, 0.1, "under 1 of 20, could be under 1 to 2", (0, 0, 2, 18)),
        (0.995, 0.97, 0.999, "over 19 of 20, could be 19 to over 19", (19, 1, 0, 0)),
        (0.0, 0.0, 0.0, "0 of 20", (0, 0, 0, 20)),
        (1.0, 1.0, 1.0, "20 of 20", (20, 0, 0, 0)),
    ],
)
def test_twenty_dots_say_a_probability_and_how_far_it_could_lie(
    now: float, low: float, high: float, said: str, shades: tuple[int, ...]
):
    picture = twenty_dots(now, low, high)
    dots = [dot.get("fill-opacity") for dot in ET.fromstring(picture.svg)[1:]]
    assert tuple(dots.count(tone) for tone in ("1", "0.45", "0.15", "0")) == shades
    assert picture.alt == said
    assert f"<title>{said}</title>" in picture.svg


def test_templates_draw_the_dots_by_one_macro():
    page = environment("html").from_string(
        "{% from 'dots.html' import dots %}<p>{{ dots(0.84, 0.71, 0.92) }}{{ dots(0.5) }}</p>"
    )
    assert page.render() == f"<p>{twenty_dots(0.84, 0.71, 0.92).svg}{twenty_dots(0.5).svg}</p>"
