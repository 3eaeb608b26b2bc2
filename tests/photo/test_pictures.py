"""Picture files of every kind, and what is kept of them."""

from __future__ import annotations

import io
import struct
import zlib
from contextlib import suppress
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from loopodds.photo.pictures import PictureError, open_picture, without_metadata
from PIL import Image, ImageCms
from PIL.TiffImagePlugin import IFDRational

RNG = np.random.default_rng(4)
PHOTO = Image.fromarray(
    np.asarray(Image.fromarray(RNG.integers(0, 255, (12, 16, 3), np.uint8)).resize((640, 480)))
)


def packed(image: Image.Image = PHOTO, kind: str = "JPEG", **options: Any) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def tagged(turn: int = 1) -> Image.Exif:
    """Metadata with a place, a device, a time and which way up."""
    exif = Image.Exif()
    exif[0x0112], exif[0x0110] = turn, "Some phone of somebody"
    exif.get_ifd(0x8769).update({0x9003: "2026:11:28 10:30:00", 0x9011: "+02:00"})
    degrees = (IFDRational(52), IFDRational(31), IFDRational(12))
    exif.get_ifd(0x8825).update({1: "N", 2: degrees, 3: "E", 4: degrees})
    return exif


FLIP = Image.Transpose
AS_STORED = {
    2: FLIP.FLIP_LEFT_RIGHT, 3: FLIP.ROTATE_180, 4: FLIP.FLIP_TOP_BOTTOM, 5: FLIP.TRANSPOSE,
    6: FLIP.ROTATE_90, 7: FLIP.TRANSVERSE, 8: FLIP.ROTATE_270,
}  # fmt: skip
"""What a camera held so stores of an upright picture."""


def png_chunk(kind: bytes, content: bytes) -> bytes:
    body = kind + content
    return struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))


def huge_png(width: int, height: int) -> bytes:
    """A small file that says it has that many pixels."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\0" * 1_000_000, 9)
    parts = [png_chunk(b"IHDR", head), png_chunk(b"IDAT", rows), png_chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def moving() -> bytes:
    frames = [PHOTO, PHOTO.rotate(5)]
    return packed(frames[0], "PNG", save_all=True, append_images=frames[1:])


BROKEN = {
    "cut off": (packed()[:4000], "damaged or cut off"),
    "cut off after the head": (packed()[:300], "damaged or cut off|no JPEG or PNG"),
    "nothing": (b"", "no JPEG or PNG"),
    "text": (b"no picture at all" * 50, "no JPEG or PNG"),
    "another kind": (packed(kind="BMP"), "no JPEG or PNG picture; set the phone to JPEG"),
    "a bomb": (huge_png(60_000, 60_000), "more than a phone makes|far more than any camera"),
    "50,000 wide": (huge_png(50_000, 500), "50000 by 500 pixels are more than a phone makes"),
    "much smaller than it says": (huge_png(6_000, 6_000), "damaged or cut off"),
    "moving": (moving(), "the picture moves"),
    "for print": (packed(PHOTO.convert("CMYK")), r"made for print \(CMYK\)"),
    "grey": (packed(PHOTO.convert("L")), "in grey"),
    "16 bit": (packed(PHOTO.convert("L").convert("I;16"), "PNG"), "of I;16 values"),
    "transparent": (packed(Image.new("RGBA", (640, 480), (9, 9, 9, 100)), "PNG"), "transparent"),
    "tiny": (packed(PHOTO.resize((200, 90))), "too few"),
    "a broken profile": (packed(icc_profile=b"x" * 300), "colour profile of the picture"),
}


@pytest.mark.parametrize("what", BROKEN)
def test_what_is_no_photo_ends_in_a_clear_error(what: str):
    content, said = BROKEN[what]
    with pytest.raises(PictureError, match=said):
        open_picture(content)


def test_no_cut_and_no_changed_byte_ends_otherwise_than_in_a_clear_error():
    whole = packed(exif=tagged(6))
    for number in range(120):
        content = bytearray(whole)
        for place in RNG.integers(0, len(content), 1 + number % 5):
            content[place] = RNG.integers(256)
        content = content[: int(RNG.integers(1, len(content)))] if number % 3 == 0 else content
        for use in (open_picture, without_metadata):
            with suppress(PictureError):
                use(bytes(content))


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_photo_is_turned_as_the_camera_was_held(turn: int):
    marked = np.full((480, 640, 3), 200, np.uint8)
    marked[:60, :80] = (250, 20, 20)
    stored = Image.fromarray(marked)
    if turn > 1:
        stored = stored.transpose(AS_STORED[turn])
    content = packed(stored, exif=tagged(turn), quality=95)
    for version in (content, without_metadata(content)):
        pixels = open_picture(version).pixels
        assert pixels.shape == (480, 640, 3)
        assert pixels[20, 30] == pytest.approx((250, 20, 20), abs=12)
        assert pixels[400, 600] == pytest.approx((200, 200, 200), abs=12)


def test_the_time_is_read_with_its_zone():
    taken = open_picture(packed(exif=tagged())).taken
    assert taken is not None
    assert taken.isoformat() == "2026-11-28T10:30:00+02:00"
    assert taken.utcoffset() == timedelta(hours=2)
    assert open_picture(packed()).taken is None


def test_nothing_is_kept_beside_the_picture():
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = packed(exif=tagged(6), comment=b"at home", icc_profile=icc)
    bare = without_metadata(photo + b"a second picture with its place")
    for word in (b"Some phone", b"at home", b"2026", b"second picture"):
        assert word not in bare
    left = Image.open(io.BytesIO(bare)).getexif()
    assert dict(left) == {0x0112: 6}
    assert not left.get_ifd(0x8825)
    assert b"ICC_PROFILE" in bare
    one, other = (Image.open(io.BytesIO(content)) for content in (photo, bare))
    assert np.array_equal(np.asarray(one), np.asarray(other))
    assert without_metadata(bare) == bare


def test_nothing_is_kept_beside_a_png_either():
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_text("Location", "52.5 13.4")
    photo = packed(kind="PNG", exif=tagged(), pnginfo=info)
    bare = without_metadata(photo + b"more")
    assert b"Location" not in bare
    assert b"eXIf" not in bare
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(bare))), np.asarray(PHOTO))


def test_a_wider_colour_space_is_brought_into_srgb():
    lab_profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    plain = open_picture(packed(kind="PNG"))
    same = open_picture(packed(kind="PNG", icc_profile=lab_profile.tobytes()))
    assert np.array_equal(plain.pixels, same.pixels)


def test_a_large_photo_is_worked_on_smaller():
    assert max(open_picture(packed(PHOTO.resize((4000, 3000)))).pixels.shape) <= 2048
    assert max(open_picture(packed(PHOTO.resize((3000, 4000)), "PNG")).pixels.shape) <= 2048
