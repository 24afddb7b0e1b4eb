"""The same calibration as a competent scientist writes it with numpy, xarray and dask.

Run by `bench_flight.py`, one step a process: `peers.py {numpy,netcdf,zarr} FLIGHT OUT [--plain]`,
with `--plain` for no uncertainty. FLIGHT holds `coefficients/*.npz`, one a cube, beside the raw
files; nothing of `pipeline` is imported. The peers get the darks, the fit and the bad elements
for nothing, pack to integers themselves, which is faster than xarray's encoding, and count,
digest and flush nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

DIMENSIONS = ("wavelength", "line", "sample")
#: Lines of a dask chunk and of a netCDF chunk.
LINES = 64

SATURATED, LOW_SIGNAL, BAD_ELEMENT, OUTSIDE, NO_CALIBRATION, DARK_UNCERTAIN = 1, 2, 4, 8, 16, 32
BEYOND = 128
FILL_R, FILL_U, LARGEST_U = -32768, 65535, 65000

ATTRIBUTES: dict[str, dict[str, Any]] = {
    "reflectance": {"scale_factor": np.float32(1e-4), "_FillValue": np.int16(FILL_R)},
    "reflectance_uncertainty": {"scale_factor": np.float32(1e-5), "_FillValue": np.uint16(FILL_U)},
    "quality_flag": {},
}


@dataclass(frozen=True, eq=False)
class Coefficients:
    """What calibrates one cube, and where its counts are."""

    dark: NDArray[np.float32]  # (band, sample) [count], at the middle of the cube
    dark_change: NDArray[np.float32]  # (band, sample) [count]
    dark_uncertainty: NDArray[np.float32]  # (band, sample) [count]
    read_noise: NDArray[np.float32]  # (band, sample) [count]
    response: NDArray[np.float32]  # (band, sample)
    response_uncertainty: NDArray[np.float32]  # (band, sample)
    bad: NDArray[np.bool_]  # (band, sample)
    wavelength: NDArray[np.float64]  # (band,) [nm]
    gain: NDArray[np.float32]  # (band,) [1/count]; NaN where not calibrated, and the next six
    offset: NDArray[np.float32]
    gain_variance: NDArray[np.float32]
    offset_variance: NDArray[np.float32]
    covariance: NDArray[np.float32]
    low: NDArray[np.float32]  # (band,) lowest panel's reflectance
    high: NDArray[np.float32]
    dark_weight: NDArray[np.float32]  # (line,) dark = dark + weight * change
    ratio: NDArray[np.float32]  # (line,) irradiance over that at the panels
    ratio_uncertainty: NDArray[np.float32]  # (line,)
    line_flag: NDArray[np.uint8]  # (line,) quality flags of the whole line
    electrons_per_count: NDArray[np.float32]  # ()
    saturation_counts: NDArray[np.float32]  # ()
    snr: NDArray[np.float32]  # () below this a sample's signal is low
    path: NDArray[np.str_]  # () raw counts, uint16 (line, band, sample)

    @classmethod
    def load(cls, path: Path) -> Self:
        """From an npz with the fields' names."""
        with np.load(path) as stored:
            return cls(**{f.name: stored[f.name] for f in fields(cls)})

    def counts(self, *, mapped: bool) -> NDArray[np.uint16]:
        """Raw counts (line, band, sample), from a memory map or read whole."""
        shape = (len(self.ratio), *self.dark.shape)
        path = str(self.path)
        if mapped:
            return np.memmap(path, np.uint16, "r", shape=shape)
        return np.fromfile(path, np.uint16).reshape(shape)


def calibrated(
    counts: NDArray[np.uint16], c: Coefficients, lines: slice, *, uncertainty: bool
) -> dict[str, NDArray[Any]]:
    """Packed variables (band, line, sample) of some lines' counts (line, band, sample).

    float32 all through; large temporaries are worked on in place.
    """
    weight, q = c.dark_weight[lines, None, None], c.ratio[lines, None, None]
    slope = c.gain[:, None] / q
    signal = (counts - (c.dark + weight * c.dark_change)) / c.response
    shot = np.maximum(signal, 0) / (c.electrons_per_count * c.response)
    noise2 = (c.read_noise / c.response) ** 2 + shot

    flag = np.where(counts >= c.saturation_counts, np.uint8(SATURATED), np.uint8(0))
    flag |= np.where(c.bad, np.uint8(BAD_ELEMENT), np.uint8(0))
    flag |= np.where(np.isnan(c.gain), np.uint8(NO_CALIBRATION), np.uint8(0))[:, None]
    flag |= c.line_flag[lines, None, None]
    clear = (signal > 0) & (signal * signal >= c.snr**2 * noise2)
    flag |= np.where(clear, np.uint8(0), np.uint8(LOW_SIGNAL))
    del clear

    reflectance = c.offset[:, None] + slope * signal
    outside = (reflectance < c.low[:, None]) | (reflectance > c.high[:, None])
    flag |= np.where(outside, np.uint8(OUTSIDE), np.uint8(0))
    reflectance *= np.float32(1e4)
    np.rint(reflectance, out=reflectance)
    flag |= np.where(np.abs(reflectance) <= 32767, np.uint8(0), np.uint8(BEYOND))
    blank = (flag & (SATURATED | BAD_ELEMENT | NO_CALIBRATION | BEYOND)) != 0
    reflectance[blank] = FILL_R
    out: dict[str, NDArray[Any]] = {"reflectance": reflectance.astype(np.int16)}
    del reflectance

    if uncertainty:
        variance = noise2
        variance += (c.dark_uncertainty / c.response) ** 2
        variance += signal * signal * (c.response_uncertainty / c.response) ** 2
        variance *= slope * slope
        relative = (c.ratio_uncertainty[lines, None, None] / q) ** 2
        by_square = c.gain_variance[:, None] / (q * q) + slope * slope * relative
        by_signal = 2 * c.covariance[:, None] / q
        variance += (by_square * signal + by_signal) * signal + c.offset_variance[:, None]
        u = np.sqrt(np.maximum(variance, 0, out=variance), out=variance)
        u *= np.float32(1e5)
        # Two significant digits.
        unit = np.ones_like(u)
        for least, step in ((99.5, 10), (995, 100), (9950, 1000)):
            unit[u >= least] = step
        u = np.maximum(np.rint(u / unit) * unit, 1)
        over = u > LARGEST_U
        flag |= np.where(over, np.uint8(BEYOND), np.uint8(0))
        u[over] = LARGEST_U
        u[blank] = FILL_U
        out["reflectance_uncertainty"] = u.astype(np.uint16)
    out["quality_flag"] = flag
    return {name: np.ascontiguousarray(v.transpose(1, 0, 2)) for name, v in out.items()}


def by_numpy(c: Coefficients, *, uncertainty: bool) -> xr.Dataset:
    """The whole cube in memory."""
    values = calibrated(c.counts(mapped=False), c, slice(None), uncertainty=uncertainty)
    return xr.Dataset(
        {name: xr.Variable(DIMENSIONS, v, ATTRIBUTES[name]) for name, v in values.items()},
        {"wavelength": c.wavelength},
    )


def by_dask(c: Coefficients, *, uncertainty: bool) -> xr.Dataset:
    """Lazy, in chunks of lines, each calibrated by one call."""
    import dask.array as da

    counts = c.counts(mapped=True)
    lines, bands, samples = counts.shape
    chunks = da.from_array(counts, (LINES, -1, -1))  # type: ignore[no-untyped-call]
    chunked = xr.Dataset(
        {"counts": (("line", "wavelength", "sample"), chunks)},
        {"wavelength": c.wavelength, "row": ("line", np.arange(lines))},
    )

    def block(part: xr.Dataset) -> xr.Dataset:
        where = slice(int(part.row[0]), int(part.row[-1]) + 1)
        values = calibrated(part.counts.values, c, where, uncertainty=uncertainty)
        return xr.Dataset(
            {name: (DIMENSIONS, v, ATTRIBUTES[name]) for name, v in values.items()}, part.coords
        )

    kinds = {
        "reflectance": np.int16,
        "reflectance_uncertainty": np.uint16,
        "quality_flag": np.uint8,
    }
    if not uncertainty:
        del kinds["reflectance_uncertainty"]
    template = xr.Dataset(
        {
            name: (
                DIMENSIONS,
                da.zeros((bands, lines, samples), dtype=kind, chunks=(-1, LINES, -1)),
                ATTRIBUTES[name],
            )
            for name, kind in kinds.items()
        },
        chunked.coords,
    )
    return xr.map_blocks(block, chunked, template=template)


def write_netcdf(dataset: xr.Dataset, stem: Path) -> None:
    """Deflated at level 1, in chunks of a tenth of the bands by `LINES` by all samples."""
    bands, lines, samples = dataset.reflectance.shape
    chunk = (max(-(-bands // 10), 1), min(LINES, lines), samples)
    encoding = {
        name: {"zlib": True, "complevel": 1, "shuffle": True, "chunksizes": chunk}
        for name in dataset.data_vars
    }
    dataset.to_netcdf(stem.with_suffix(".nc"), engine="netcdf4", encoding=encoding)


def write_zarr(dataset: xr.Dataset, stem: Path) -> None:
    """With dask's chunks and the default codec."""
    dataset.to_zarr(stem.with_suffix(".zarr"), consolidated=False)


PEERS: dict[str, tuple[Any, Callable[[xr.Dataset, Path], None]]] = {
    "numpy": (by_numpy, write_netcdf),
    "netcdf": (by_dask, write_netcdf),
    "zarr": (by_dask, write_zarr),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Calibrate every cube of a flight, one after the other as such a script does."""
    parser = argparse.ArgumentParser()
    parser.add_argument("peer", choices=PEERS)
    parser.add_argument("flight", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--plain", action="store_true", help="no uncertainty")
    given = parser.parse_args(arguments)
    make, write = PEERS[given.peer]
    given.out.mkdir(parents=True)
    for path in sorted((given.flight / "coefficients").glob("*.npz")):
        with np.errstate(all="ignore"):
            dataset = make(Coefficients.load(path), uncertainty=not given.plain)
            write(dataset, given.out / path.stem)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
