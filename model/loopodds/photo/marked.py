"""The picture of what was measured where: the card laid flat, with its windows drawn in."""

from __future__ import annotations

import io

import numpy as np

from loopodds.photo.colours import to_encoded
from loopodds.photo.marks import PER_MM
from loopodds.photo.reading import Reading

COLOURS = {
    "liquid": (230, 40, 140),
    "empty glass": (30, 110, 220),
    "bars": (20, 20, 20),
    "white": (20, 140, 60),
}


def marked_picture(reading: Reading) -> bytes | None:
    """A PNG file; None where there is no card in the photo."""
    if reading.card is None:
        return None
    from PIL import Image, ImageDraw

    encoded = np.rint(to_encoded(np.clip(reading.card.linear, 0, 1)) * 255)
    image = Image.fromarray(encoded.astype(np.uint8))
    draw = ImageDraw.Draw(image)
    for name, box in reading.windows:
        x, y = box.x * PER_MM, box.y * PER_MM
        frame = (x, y, x + box.width * PER_MM, y + box.height * PER_MM)
        draw.rectangle(frame, outline=COLOURS[name], width=3)
        draw.text((frame[2] + 6, y), name, fill=COLOURS[name], font_size=18)
    for number, line in enumerate(_said(reading)):
        place = (PER_MM * 34, PER_MM * (62 + 5 * number))
        draw.text(place, line, fill=(20, 20, 20), font_size=22, stroke_width=3,
                  stroke_fill=(255, 255, 255))  # fmt: skip
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def _said(reading: Reading) -> list[str]:
    found = reading.measured
    if not reading.usable or found is None:
        return ["no evidence:", *(r.problem[:46] for r in reading.refusals)]
    return [
        f"scale {found.place} ({found.interval})",
        f"greenness {found.green:.0f}" if reading.green_seen else "green cannot be seen",
    ]
