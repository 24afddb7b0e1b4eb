"""A saltmarsh seen from above: creek water, mud, grass, reeds and sand, and the panels on grass.

Spectra are smooth formulas of our own with the features that matter (chlorophyll near 675 nm, the
red edge near 715 nm, liquid water near 970 nm); they are plausible, not measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from pipeline.records import Array, Array32
from pipeline.synthetic.atmosphere import wavelength_grid
from pipeline.synthetic.camera import band_response
from pipeline.synthetic.certificates import true_panel_reflectance
from pipeline.synthetic.geometry import Strip, ground, panel_rectangles, swath_m
from pipeline.synthetic.kernel import Pixels, Spectra
from pipeline.synthetic.plan import FlightPlan, generator

MATERIALS = ("water", "mud", "grass", "reeds", "sand")
GRASS = MATERIALS.index("grass")

#: Share of the ground below each material's upper limit, in order of height above the water.
LEVELS = np.array([0.08, 0.25, 0.60, 0.85])

#: Half width of the mixed seam between two materials, as share of the ground.
SEAM = 0.015

#: Brightness variation within each material, relative.
ROUGHNESS = np.array([0.03, 0.06, 0.14, 0.18, 0.05])

#: Width of a panel's soft edge, and of the mown grass around it [sample].
EDGE = 1.5
APRON = 5.0

LATTICE = 128


def _step(x: Array, centre: float, width: float) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(-(x - centre) / width)))


def _bump(x: Array, centre: float, width: float) -> Array:
    return np.asarray(np.exp(-(((x - centre) / width) ** 2)))


def material_reflectance(wavelength_nm: Array) -> Array:
    """Reflectance of each of `MATERIALS`, (material, point)."""
    x = wavelength_nm
    red_edge = _step(x, 715.0, 11.0)
    water = (0.035 + 0.035 * _bump(x, 565.0, 80.0)) * (1.0 - 0.7 * _step(x, 715.0, 20.0)) + 0.004
    mud = 0.07 + 0.14 * (x - 400.0) / 600.0 - 0.018 * _bump(x, 675.0, 18.0)
    grass = 0.038 + 0.05 * _bump(x, 550.0, 38.0) + 0.37 * red_edge - 0.04 * _bump(x, 972.0, 30.0)
    reeds = (
        0.05
        + 0.03 * _bump(x, 560.0, 60.0)
        + 0.03 * _step(x, 600.0, 40.0)
        + 0.28 * red_edge
        - 0.03 * _bump(x, 972.0, 30.0)
    )
    sand = 0.17 + 0.22 * (1.0 - np.exp(-np.maximum(x - 350.0, 0.0) / 300.0))
    return np.stack([water, mud, grass, reeds, sand])


def spectra(plan: FlightPlan) -> Spectra:
    """True reflectance of materials, then panels, averaged over the bands."""
    grid = wavelength_grid()
    fine = np.vstack(
        [
            material_reflectance(grid),
            *(true_panel_reflectance(plan, i, grid)[None] for i in range(len(plan.panels))),
        ]
    )
    response = band_response(grid, plan)
    slope = np.gradient(fine, grid, axis=1) if plan.smile_nm else np.zeros_like(fine)
    shift = plan.shift_nm - plan.shift_nm.mean()
    return Spectra(
        value=np.ascontiguousarray(np.round(response @ fine.T, 7), dtype=np.float32),
        slope=np.ascontiguousarray(np.round(response @ slope.T, 7), dtype=np.float32),
        shift=shift.astype(np.float32),
    )


@dataclass(frozen=True, eq=False)
class Scene:
    """The ground of a plan; the same point looks the same from every strip."""

    plan: FlightPlan
    lattices: tuple[Array, ...]

    @classmethod
    def of(cls, plan: FlightPlan) -> Scene:
        """Draw the ground of a plan."""
        rng = generator(plan, "ground")
        return cls(
            plan,
            tuple(
                spline_filter(rng.standard_normal((LATTICE, LATTICE)), mode="grid-wrap")
                for _ in range(5)
            ),
        )

    def _noise(self, number: int, scale_m: float, along: Array, across: Array) -> Array:
        """Smooth noise of unit spread and the given grain, (line, sample)."""
        where = np.empty((2, *np.broadcast_shapes(along.shape, across.shape)))
        where[0] = along / scale_m
        where[1] = across / scale_m
        values = map_coordinates(
            self.lattices[number], where, order=3, mode="grid-wrap", prefilter=False
        )
        return np.asarray(values / 0.75)

    def pixels(self, strip: Strip, lines: slice) -> Pixels:
        """Make-up of the pixels of some lines of a strip."""
        along, across = ground(self.plan, strip, lines)
        seen_from = (across - strip.across_m) / swath_m(self.plan)
        return self.at(along, across, 1.0 + self.plan.directional_slope * seen_from)

    def at(self, along: Array, across: Array, brighter: Array | float = 1.0) -> Pixels:
        """Make-up of the ground, `brighter` but for its panels.

        `along` and `across` are (line, sample) [m], or broadcast to it.
        """
        first, second, share, brightness = self._ground(along, across)
        brightness = brightness * brighter
        light = np.ones(share.shape)
        weight_first, weight_second = brightness * (1.0 - share), brightness * share
        unit = self.plan.sample_m
        for number, (panel, rectangle) in enumerate(
            zip(self.plan.panels, panel_rectangles(self.plan), strict=True)
        ):
            inside_along = _inside(along, rectangle.along)
            inside_across = _inside(across, rectangle.across)
            depth = np.minimum(inside_along, inside_across) / unit
            apron = depth > -APRON
            if not apron.any():
                continue
            cover = _cover(inside_along / unit) * _cover(inside_across / unit)
            first[apron], second[apron] = GRASS, len(MATERIALS) + number
            weight_first[apron] = (brightness * (1.0 - cover))[apron]
            weight_second[apron] = cover[apron]
            in_shadow = along < 0.5 * sum(rectangle.along)
            level = panel.light * np.where(in_shadow, panel.shadow, 1.0)
            light = np.where(apron, 1.0 + (level - 1.0) * cover, light)
        return Pixels(
            first=first,
            second=second,
            weight_first=_settled(weight_first),
            weight_second=_settled(weight_second),
            light=_settled(light),
        )

    def _ground(
        self, along: Array, across: Array
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8], Array, Array]:
        """Two materials, the second's share and the brightness of each pixel without panels."""
        from scipy.special import ndtr

        grain = 0.35 * swath_m(self.plan)
        height = sum(
            w * self._noise(i, grain * f, along, across)
            for i, (w, f) in enumerate(((0.85, 1.0), (0.45, 0.4), (0.28, 0.12)))
        )
        rank = ndtr(height)
        lower = np.searchsorted(LEVELS, rank - SEAM)
        upper = np.searchsorted(LEVELS, rank + SEAM)
        limit = LEVELS[np.minimum(lower, len(LEVELS) - 1)]
        share = np.where(upper > lower, (rank - limit + SEAM) / (2.0 * SEAM), 0.0)
        roughness = ROUGHNESS[lower] * (1.0 - share) + ROUGHNESS[upper] * share
        grainy = self._noise(3, 2.2 * self.plan.sample_m, along, across)
        patchy = self._noise(4, 0.1 * grain, along, across)
        brightness = np.exp(roughness * np.clip(0.75 * grainy + 0.6 * patchy, -2.5, 2.5))
        return lower.astype(np.uint8), upper.astype(np.uint8), share, brightness


def _inside(x: Array, span: tuple[float, float]) -> Array:
    """Distance to the nearer end of a span, negative outside."""
    return np.minimum(x - span[0], span[1] - x)


def _cover(depth: Array) -> Array:
    """Share of a pixel that a panel covers, from its depth inside the edge [sample]."""
    return np.clip(depth / EDGE + 0.5, 0.0, 1.0)


def _settled(values: Array) -> Array32:
    """Rounded so that the last bits of exp on another processor do not reach the counts."""
    return np.round(values, 6).astype(np.float32)


def core_window(
    plan: FlightPlan, strip: Strip, number: int
) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Half-open lines and samples wholly covered by a panel; None where the strip misses it."""
    along, across = ground(plan, strip)
    rectangle = panel_rectangles(plan)[number]
    full = 0.5 * EDGE * plan.sample_m
    whole = (_inside(along, rectangle.along) >= full) & (_inside(across, rectangle.across) >= full)
    lines, samples = np.flatnonzero(whole.any(axis=1)), np.flatnonzero(whole.any(axis=0))
    while lines.size and samples.size and not whole[np.ix_(lines, samples)].all():
        # Seen askew: the side that misses the most goes.
        miss = ~whole[np.ix_(lines, samples)]
        sides = (miss[0].mean(), miss[-1].mean(), miss[:, 0].mean(), miss[:, -1].mean())
        part = (
            (lines[1:], samples),
            (lines[:-1], samples),
            (lines, samples[1:]),
            (lines, samples[:-1]),
        )
        lines, samples = part[int(np.argmax(sides))]
    if lines.size == 0 or samples.size == 0:
        return None
    return (int(lines[0]), int(lines[-1]) + 1), (int(samples[0]), int(samples[-1]) + 1)
