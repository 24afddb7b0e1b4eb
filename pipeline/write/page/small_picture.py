"""The small picture of a flight, for lists of flights."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    # A sweep with nothing to do asks for the name alone, and must not load numpy for it.
    from pipeline.write.page.pictures import Picture, Strip

PICTURE = "picture.jpg"
#: Width and greatest height of it [pixel].
WIDTH, HEIGHT = 192, 120
#: Strips that it shows, from the first to the last.
STRIPS = 4
_GAP = 2  # pixels between strips
_QUALITY = 80


def write_small_picture(path: Path, strips: Sequence[Strip]) -> bool:
    """Write a few strips of a flight one below the other; False where none has a picture.

    Lines run from left to right and samples from top to bottom, as on the page of a run. Strips
    keep their shape where there is room, and are flattened where there is not.
    """
    from PIL import Image

    drawn = [seen for strip in _spread(strips) if (seen := _seen(strip)) is not None]
    if not drawn:
        return False
    opened = [Image.open(io.BytesIO(base64.b64decode(p.uri.partition(",")[2]))) for p in drawn]
    most = (HEIGHT - _GAP * (len(opened) - 1)) // len(opened)
    small = [p.resize((WIDTH, min(max(WIDTH * p.height // p.width, 1), most))) for p in opened]
    sheet = Image.new(
        "RGB", (WIDTH, sum(p.height for p in small) + _GAP * (len(small) - 1)), "white"
    )
    top = 0
    for picture in small:
        sheet.paste(picture, (0, top))
        top += picture.height + _GAP
    sheet.save(path, "jpeg", quality=_QUALITY)
    return True


def _spread(strips: Sequence[Strip]) -> list[Strip]:
    """A few strips, evenly from the first to the last."""
    if len(strips) <= STRIPS:
        return list(strips)
    return [strips[i * (len(strips) - 1) // (STRIPS - 1)] for i in range(STRIPS)]


def _seen(strip: Strip) -> Picture | None:
    """A strip as the eye would see it; in the near infrared where its bands show no colours."""
    by_layer = {picture.layer: picture for picture in strip.pictures}
    return by_layer.get("colour") or by_layer.get("infrared")
