"""The card as it is printed, and found again in a picture."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from loopodds.photo import card
from loopodds.photo.marks import dot_centre, find_card, laid_flat, projected
from loopodds.photo.pictures import open_picture
from photo_shots import rendered


def test_the_card_is_a_drawing_in_its_true_size():
    page = ET.fromstring(card.card_svg())
    assert (page.get("width"), page.get("height")) == ("210mm", "279mm")
    circles = page.findall(".//{*}circle")
    assert len(circles) == 3 * len(card.MARKS) + len(card.FLAT_DOTS)
    words = " ".join(text.text or "" for text in page.findall(".//{*}text"))
    assert "Inner diameter of the glass" in words
    assert "Date" in words


def test_every_place_of_the_pdf_is_where_its_table_says():
    content = card.card_pdf()
    start = int(content.rsplit(b"startxref\n", 1)[1].split()[0])
    table = content[start:].split(b"trailer")[0].splitlines()
    assert table[1].split() == [b"0", b"5"]
    for number, line in enumerate(table[3:7], start=1):
        assert content[int(line[:10]) :].startswith(b"%d 0 obj" % number)
    head, stream = content.split(b"stream\n", 1)
    length = int(head.rsplit(b"/Length ", 1)[1].split(b">")[0])
    assert stream[length:].startswith(b"\nendstream")
    assert stream[:length].count(b" re f") == sum(
        isinstance(shape, card.Box) for shape, _ in card.drawing()
    )


def test_nothing_on_the_card_lies_over_anything_else():
    boxes = [*(p.box for p in card.PATCHES), *card.BARS, *card.code_boxes()]
    for n, one in enumerate(boxes):
        for other in boxes[n + 1 :]:
            apart_x = one.x + one.width <= other.x or other.x + other.width <= one.x
            apart_y = one.y + one.height <= other.y or other.y + other.height <= one.y
            assert apart_x or apart_y, (one, other)
    assert card.CODE[::-1] != card.CODE


@pytest.mark.parametrize("turn", [90.0, 185.0])
def test_the_card_is_found_whichever_way_it_is_held(turn: float):
    picture = open_picture(rendered(turn=turn, fill=0.68))
    found = find_card(picture.pixels)
    assert found is not None
    flat = laid_flat(picture.pixels, found)
    for x, y in card.FLAT_DOTS:
        centre = dot_centre(flat, x, y, card.FLAT_DOT)
        assert centre == pytest.approx((x, y), abs=0.5)  # mm, of a picture of 3 pixels a mm
    back = projected(found.plane, np.array(card.MARKS))
    assert back == pytest.approx(found.corners, abs=1e-6)


@pytest.mark.parametrize(
    "more", [{"card": False}, {"other_card": True}], ids=["no card", "other card"]
)
def test_what_is_no_card_of_ours_is_not_found(more: dict[str, bool]):
    assert find_card(open_picture(rendered(**more)).pixels) is None


def test_a_card_seen_in_a_mirror_is_none():
    pixels = open_picture(rendered()).pixels
    assert find_card(pixels) is not None
    assert find_card(np.ascontiguousarray(pixels[:, ::-1])) is None
