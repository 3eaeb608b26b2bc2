"""A picture file opened as carefully as one from a stranger, and made fit to be kept.

What is read is at most some two thousand pixels wide, turned the right way up, in sRGB. What is
kept holds no metadata: not where, not with which device, not whose.
"""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loopodds.base.errors import LoopoddsError

if TYPE_CHECKING:
    from PIL.Image import Exif, Image

Pixels = NDArray[np.uint8]
LARGEST_FILE, MOST_PIXELS, LONGEST = 40_000_000, 50_000_000, 20_000
"""Bytes, pixels, and pixels of a side: more than phones make of one picture."""
LEAST_SIDE, WORKING_SIDE = 400, 2048
FORMATS = ("JPEG", "PNG")
"""Phones put a second picture behind a JPEG, called MPO then, which is not looked at."""
UNREADABLE = (OSError, SyntaxError, ValueError, struct.error, EOFError, IndexError, KeyError)
"""What the library raises at damaged files."""
ORIENTATION, TAKEN, OFFSET, EXIF_IFD = 0x0112, 0x9003, 0x9011, 0x8769


class PictureError(LoopoddsError, ValueError):
    """A file that cannot be used as a photo."""


class Picture(NamedTuple):
    """A picture as it is worked on."""

    pixels: Pixels  # sRGB, shape (height, width, 3)
    taken: datetime | None  # as the camera's clock had it, with its zone where that is told


def open_picture(content: bytes) -> Picture:
    """A photo from the bytes of its file.

    Raises:
        PictureError: saying what it is instead, and what to do.
    """
    if len(content) > LARGEST_FILE:
        raise PictureError(f"the picture has more than {LARGEST_FILE // 1_000_000} MB")
    try:
        from PIL import Image, UnidentifiedImageError
    except ModuleNotFoundError as error:
        problem = "Pillow is missing; install it with: pip install 'loopodds[photo]'"
        raise PictureError(problem) from error
    with warnings.catch_warnings():
        # of sizes and broken metadata, which are looked at below
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(content), formats=FORMATS) as image:
                return _read(image)
        except UnidentifiedImageError as error:
            problem = "this is no JPEG or PNG picture; set the phone to JPEG, or convert it"
            raise PictureError(problem) from error
        except Image.DecompressionBombError as error:
            problem = "the picture unpacks to far more than any camera makes; take a photo anew"
            raise PictureError(problem) from error
        except UNREADABLE as error:
            if isinstance(error, PictureError):
                raise
            problem = f"the picture is damaged or cut off ({error}); copy it from the phone again"
            raise PictureError(problem) from error


def _read(image: Image) -> Picture:
    width, height = image.size
    if max(width, height) > LONGEST or width * height > MOST_PIXELS:
        size = f"{width} by {height} pixels"
        raise PictureError(f"{size} are more than a phone makes; send the photo as it was taken")
    if min(width, height) < LEAST_SIDE:
        raise PictureError(f"{width} by {height} pixels are too few; send the photo whole")
    if image.format != "MPO" and getattr(image, "n_frames", 1) > 1:
        raise PictureError("the picture moves; a single photo is needed")
    if image.mode not in ("RGB", "RGBA", "P"):
        kinds = {"CMYK": "made for print (CMYK)", "L": "in grey", "1": "in black and white"}
        kind = kinds.get(image.mode, f"of {image.mode} values")
        raise PictureError(f"the picture is {kind}; a colour photo of a camera is needed")
    exif = image.getexif()
    turn = exif.get(ORIENTATION, 1)
    image.draft("RGB", (WORKING_SIDE // 2, WORKING_SIDE // 2))
    image.load()
    if image.mode != "RGB":
        if image.mode == "RGBA" and np.asarray(image.getchannel("A")).min() < 255:
            raise PictureError("the picture is partly transparent; a photo is needed")
        image = image.convert("RGB")
    shrink = -(-max(image.size) // WORKING_SIDE)
    small = image.reduce(shrink) if shrink > 1 else image
    pixels = np.asarray(_in_srgb(small))
    return Picture(np.ascontiguousarray(_turned(pixels, turn)), _taken(exif))


def _in_srgb(image: Image) -> Image:
    """Colours of a wider space, where the file says that it has one."""
    profile = image.info.get("icc_profile")
    if not profile:
        return image
    from PIL import ImageCms

    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if "srgb" in ImageCms.getProfileDescription(own).lower():
            return image
        made = ImageCms.profileToProfile(image, own, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError) as error:
        raise PictureError(f"the colour profile of the picture is damaged: {error}") from error
    return made or image


def _turned(pixels: Pixels, turn: object) -> Pixels:
    """As the camera was held: the eight ways of the tag Orientation (Exif 2.3)."""
    if turn in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if turn in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if turn in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return pixels


def _taken(exif: Exif) -> datetime | None:
    """When the shutter opened; None where it is not told or makes no sense."""
    own = exif.get_ifd(EXIF_IFD)
    try:
        moment = datetime.strptime(str(own[TAKEN]).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        sign, hours, minutes = (text := str(own.get(OFFSET, "")))[:1], text[1:3], text[4:6]
        if sign in ("+", "-"):
            far = timedelta(hours=int(hours), minutes=int(minutes))
            moment = moment.replace(tzinfo=timezone(far if sign == "+" else -far))
    except (KeyError, ValueError):
        return None
    return moment


KEPT_PARTS = (0xE2, 0xEE)
"""Of a JPEG beside what decodes it: colour profile, and how colours are coded."""
KEPT_CHUNKS = (b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"sRGB", b"gAMA", b"cHRM", b"iCCP")


def without_metadata(content: bytes) -> bytes:
    """The same picture with nothing beside it but its colours and which way up it is.

    No pixel is touched. What stands behind the end of the picture goes too.

    Raises:
        PictureError: if it is no whole JPEG or PNG.
    """
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return content[:8] + b"".join(_chunks(content))
    if not content.startswith(b"\xff\xd8"):
        raise PictureError("this is no JPEG or PNG picture")
    return b"\xff\xd8" + b"".join(_segments(content))


def _chunks(content: bytes) -> Iterator[bytes]:
    at = 8
    while at + 12 <= len(content):
        length, kind = struct.unpack_from(">I4s", content, at)
        end = at + 12 + length
        if end > len(content):
            break
        if kind in KEPT_CHUNKS:
            yield content[at:end]
        if kind == b"IEND":
            return
        at = end
    raise PictureError("the picture is cut off")


def _segments(content: bytes) -> Iterator[bytes]:
    at, turn = 2, _orientation(content)
    if turn != 1:
        yield _only_orientation(turn)
    while at + 4 <= len(content):
        if content[at] != 0xFF:
            break
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        (length,) = struct.unpack_from(">H", content, at + 2)
        end = at + 2 + length
        if marker == 0xDA:
            end = _scan_end(content, end)
        application = 0xE1 <= marker <= 0xEF and marker not in KEPT_PARTS
        # a second picture is listed in a part that is of the kind of a colour profile
        listed = marker == 0xE2 and content[at + 4 : at + 16] != b"ICC_PROFILE\0"
        if not (application or listed or marker == 0xFE):
            yield content[at:end]
        at = end
        if content[at : at + 2] == b"\xff\xd9":
            yield b"\xff\xd9"
            return
    raise PictureError("the picture is cut off")


def _scan_end(content: bytes, at: int) -> int:
    """Where the coded pixels that begin here end: at the next marker that is none of theirs."""
    while True:
        at = content.find(b"\xff", at)
        if at < 0 or at + 1 >= len(content):
            raise PictureError("the picture is cut off")
        follows = content[at + 1]
        if follows == 0 or 0xD0 <= follows <= 0xD7:
            at += 2
        elif follows == 0xFF:
            at += 1
        else:
            return at


def _orientation(content: bytes) -> int:
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(content), formats=("JPEG",)) as image:
                turn = image.getexif().get(ORIENTATION, 1)
        except UNREADABLE:
            return 1
    return turn if isinstance(turn, int) and 1 <= turn <= 8 else 1


def _only_orientation(turn: int) -> bytes:
    """A part Exif that holds one number."""
    entry = struct.pack(">HHIHH", ORIENTATION, 3, 1, turn, 0)
    tiff = b"MM\0*" + struct.pack(">IH", 8, 1) + entry + struct.pack(">I", 0)
    body = b"Exif\0\0" + tiff
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
