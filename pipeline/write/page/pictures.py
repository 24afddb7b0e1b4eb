"""Pictures of the strips as data URIs: lines run from left to right, samples from top to bottom."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.radiometry.preview import COMPOSITE_NM, Preview, to_srgb
from pipeline.write.page.doubts import KINDS, LineDoubts

if TYPE_CHECKING:
    from PIL import Image

#: The colour map cividis in 32 levels, readable by the colour-blind (Nuñez, Anderton and Renslow
#: 2018, doi 10.1371/journal.pone.0199239).
CIVIDIS = (
    "#00204c", "#00265a", "#002b69", "#00316f", "#0a376d", "#203c6c", "#2e426b", "#39496b",
    "#434e6b", "#4b546b", "#535a6c", "#5b5f6d", "#63666f", "#6a6c71", "#717273", "#787876",
    "#807e78", "#888578", "#908b78", "#989177", "#a19876", "#a99f74", "#b1a672", "#baac6f",
    "#c2b36c", "#ccbb68", "#d5c263", "#deca5e", "#e7d158", "#f1da50", "#fbe147", "#ffe945",
)  # fmt: skip
#: Colour of a pixel without a value.
BLANK = "#9aa0a6"
_LEVELS = len(CIVIDIS)
_QUALITY = 80


@dataclass(frozen=True)
class Picture:
    """One picture of one strip."""

    layer: str
    uri: str
    alt: str


@dataclass(frozen=True)
class Layer:
    """A kind of picture: its name, what it shows, and the ends of its scale, if any."""

    key: str
    name: str
    about: str
    low: str = ""
    middle: str = ""
    high: str = ""


@dataclass(frozen=True)
class Strip:
    """A strip's pictures."""

    cube: str
    lines: int
    samples: int
    pictures: tuple[Picture, ...]


def draw(
    previews: Mapping[str, Preview], doubts: Mapping[str, LineDoubts] = MappingProxyType({})
) -> tuple[list[Layer], list[Strip]]:
    """All strips' pictures, on scales common to the flight; doubts where there are any."""
    every = list(previews.values())
    white = _top([p.xyz[1] for p in every if p.xyz is not None], 99)
    ends = _stretch([p.composite for p in every if p.composite is not None])
    highest = _top([p.uncertainty for p in every if p.uncertainty is not None], 98)
    doubted = doubts if any(one.any for one in doubts.values()) else {}
    layers = _layers(white, ends is not None, highest, bool(doubted))
    strips = []
    for cube, p in previews.items():
        drawn = list(_pictures(cube, p, white, ends, highest))
        if cube in doubted:
            grid, one = p.plan.picture, doubted[cube]
            plane = one.drawn(grid.line_index, grid.sample_index.size)
            alt = f"Lines in doubt of strip {cube}: {one.says}"
            drawn.append(Picture("doubts", mapped(plane, 1), alt))
        strips.append(Strip(cube, p.plan.picture.lines, p.plan.picture.samples, tuple(drawn)))
    return layers, strips


def _layers(white: float, infrared: bool, highest: float, doubted: bool) -> list[Layer]:
    """What there is to draw; a level of 0 leaves its layer out."""
    layers: list[Layer] = []
    if white:
        layers.append(
            Layer(
                "colour",
                "True colour",
                "Reflectance in daylight (D65, CIE 1931 2 degree observer, sRGB), brightened so "
                f"that a luminous reflectance of {white:.2g} shows white. Grey has no value.",
            )
        )
    if infrared:
        nm = ", ".join(f"{w:.0f}" for w in COMPOSITE_NM)
        layers.append(
            Layer(
                "infrared",
                "Near infrared",
                f"Reflectance near {nm} nm as red, green and blue, each stretched from its 2nd to "
                "its 98th percentile over the flight. Plants show red.",
            )
        )
    for key, name, about in (
        (
            "saturated",
            "Saturated",
            "Share of the bands that are saturated, on a square-root scale.",
        ),
        ("low", "Low signal", "Share of the bands with low signal, on a square-root scale."),
    ):
        layers.append(Layer(key, name, about, "0 %", "25 %", "100 %"))
    if highest:
        layers.append(
            Layer(
                "uncertainty",
                "Uncertainty",
                "Median over bands of the standard uncertainty (k = 1) of reflectance; brightest "
                "at and above the flight's 98th percentile.",
                "0",
                f"{highest / 2:.2g}",
                f"{highest:.2g}",
            )
        )
    if doubted:
        kinds = ", ".join(name for name, _ in KINDS)
        layers.append(
            Layer(
                "doubts",
                "Lines in doubt",
                f"Lines whose values rest on less than was measured, from dark to bright: {kinds}.",
                "none",
                "supposed",
                "never written",
            )
        )
    return layers


def _pictures(
    cube: str, preview: Preview, white: float, ends: NDArray[Any] | None, highest: float
) -> Iterable[Picture]:
    if white and preview.xyz is not None:
        uri = jpeg(to_srgb(preview.xyz, white))
        yield Picture("colour", uri, f"True-colour picture of strip {cube}")
    if ends is not None and preview.composite is not None:
        low, high = ends[:, 0, None, None], ends[:, 1, None, None]
        scaled = np.clip((preview.composite - low) / np.maximum(high - low, 1e-6), 0, 1)
        scaled[:, np.isnan(scaled).any(axis=0)] = 0.6
        uri = jpeg(np.asarray(np.rint(scaled * 255), np.uint8))
        yield Picture("infrared", uri, f"Near-infrared composite of strip {cube}")
    worst = f"{preview.saturated.mean():.2%} of all samples"
    yield Picture(
        "saturated",
        mapped(np.sqrt(preview.saturated), 1),
        f"Saturation map of strip {cube}: {worst}",
    )
    worst = f"{preview.low_signal.mean():.2%} of all samples"
    yield Picture(
        "low", mapped(np.sqrt(preview.low_signal), 1), f"Low-signal map of strip {cube}: {worst}"
    )
    if highest and preview.uncertainty is not None:
        known = preview.uncertainty[np.isfinite(preview.uncertainty)]
        middle = f"median {np.median(known):.2g}" if known.size else "no value"
        yield Picture(
            "uncertainty",
            mapped(preview.uncertainty, highest),
            f"Uncertainty map of strip {cube}: {middle}",
        )


def _top(planes: Sequence[NDArray[Any]], percent: float) -> float:
    """Percentile over all planes; 0 where there is no value above zero."""
    known = [plane[np.isfinite(plane)] for plane in planes]
    values = np.concatenate(known) if known else np.zeros(0)
    return max(float(np.percentile(values, percent)), 0.0) if values.size else 0.0


def _stretch(composites: Sequence[NDArray[Any]]) -> NDArray[Any] | None:
    if not composites:
        return None
    values = np.concatenate([c.reshape(3, -1) for c in composites], axis=1)
    if not np.isfinite(values).any(axis=1).all():
        return None
    return np.asarray(np.nanpercentile(values, [2, 98], axis=1).T)


def _rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))


def palette() -> NDArray[np.uint8]:
    """The map's colours from low to high, then the blank one, (level, 3)."""
    return np.array([_rgb(colour) for colour in (*CIVIDIS, BLANK)], np.uint8)


def mapped(plane: NDArray[Any], high: float) -> str:
    """A (line, sample) plane in the colours of `palette`, zero to `high`, as a PNG's data URI."""
    level = np.clip(np.nan_to_num(plane / high), 0, 1) * (_LEVELS - 1)
    index = np.where(np.isnan(plane), _LEVELS, np.rint(level)).astype(np.uint8)
    return _uri(_indexed(index.T), "png")


def _indexed(index: NDArray[np.uint8]) -> Image.Image:
    """A picture of palette indices (row, column)."""
    from PIL import Image

    picture = Image.fromarray(np.ascontiguousarray(index))
    picture.putpalette(palette().tobytes())
    return picture


def jpeg(rgb: NDArray[np.uint8]) -> str:
    """A JPEG's data URI of (3, line, sample) colours."""
    from PIL import Image

    return _uri(Image.fromarray(np.ascontiguousarray(rgb.T)), "jpeg", quality=_QUALITY)


def _uri(picture: Image.Image, kind: str, **options: Any) -> str:
    memory = io.BytesIO()
    picture.save(memory, kind, **options)
    return f"data:image/{kind};base64,{base64.b64encode(memory.getvalue()).decode('ascii')}"
