"""Known answers of the kernel, worked by hand, and its uncertainty against `uncertainties`."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from pipeline.flags import QualityFlag as Q
from pipeline.radiometry import equation
from pipeline.radiometry.kernel import (
    TALLIES,
    CalibratedBlock,
    KernelTable,
    LineTable,
    block_buffers,
    calibrate_block,
    low_buffers,
)
from pipeline.radiometry.kernel_twin import calibrate_block_numpy
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY

NONE = np.zeros(0, np.int32)
BLANK = int(Q.SATURATED | Q.BAD_ELEMENT | Q.NO_CALIBRATION | Q.NO_DATA)
BOTH = pytest.mark.parametrize("calibrate", [calibrate_block, calibrate_block_numpy])


def table_of(bands: int = 1, samples: int = 1, **values: Any) -> KernelTable:
    """A table of a plain instrument: dark 100, gain 1/2000, no uncertainty but what is given."""
    element = {
        "dark": 100.0, "dark_change": 0.0, "inverse_response": 1.0, "fixed_variance": 0.0,
        "read_variance": 0.0, "shot": 0.0, "response_variance": 0.0,
    }  # fmt: skip
    band = {
        "gain": 1 / 2000, "offset": 0.0, "gain_variance": 0.0, "offset_variance": 0.0,
        "covariance": 0.0, "low": -np.inf, "high": np.inf,
    }  # fmt: skip
    patches = {"patch_band": NONE, "patch_sample": NONE, "patch_left": NONE, "patch_right": NONE,
               "patch_weight": np.zeros(0, np.float32)}  # fmt: skip
    made: dict[str, Any] = {
        name: np.full((bands, samples), values.pop(name, x), np.float32)
        for name, x in element.items()
    }
    flags = np.asarray(values.pop("element_flags", 0), np.uint8)
    made["element_flags"] = np.ascontiguousarray(np.broadcast_to(flags, (bands, samples)))
    made |= {name: np.full(bands, values.pop(name, x), np.float32) for name, x in band.items()}
    made |= {name: values.pop(name, x) for name, x in patches.items()}
    scalars = {"saturation_counts": 4000.0, "low_signal_snr": 3.0, "blank_mask": BLANK}
    return KernelTable(**made, **(scalars | values))


def lines_of(n: int = 1, **values: Any) -> LineTable:
    plain = {"dark_weight": 0.0, "inverse_ratio": 1.0, "ratio_variance": 0.0, "line_flags": 0}
    return LineTable(
        **{
            name: np.full(n, values.get(name, x), np.uint8 if name == "line_flags" else np.float32)
            for name, x in plain.items()
        }
    )


def one(block: CalibratedBlock) -> tuple[int, int | None, int]:
    """Packed reflectance, packed uncertainty and flags of the first sample."""
    u = None if block.uncertainty is None else int(block.uncertainty[0, 0, 0])
    return int(block.reflectance[0, 0, 0]), u, int(block.flags[0, 0, 0])


def counts(*values: float, dtype: Any = np.uint16) -> np.ndarray[Any, Any]:
    """One line, one band."""
    return np.array(values, dtype).reshape(1, 1, -1)


@BOTH
@pytest.mark.parametrize(
    ("raw", "table", "lines", "packed"),
    [
        # (1100 - 100)/2000 = 0.5
        (1100, {}, {}, 5000),
        # (1100 - (100 + 0.5 * 40))/2000 = 0.49
        (1100, {"dark_change": 40.0}, {"dark_weight": 0.5}, 4900),
        # (1100 - 100)/1.25 = 800; 800/2000 = 0.4
        (1100, {"inverse_response": 0.8}, {}, 4000),
        # half the light: 0.5/0.5 = 1
        (1100, {}, {"inverse_ratio": 2.0}, 10000),
        # offset is no signal: light does not touch it; -0.02 + 1 = 0.98
        (1100, {"offset": -0.02}, {"inverse_ratio": 2.0}, 9800),
        # below the dark: (60 - 100)/2000 = -0.02 is kept
        (60, {}, {}, -200),
        # above one is kept: 3800/2000 = 1.9
        (3900, {}, {}, 19000),
    ],
)
def test_reflectance_by_hand(
    calibrate: Any, raw: int, table: dict[str, float], lines: dict[str, float], packed: int
) -> None:
    assert one(calibrate(counts(raw), table_of(**table), lines_of(**lines)))[0] == packed


@BOTH
def test_worked_uncertainty_of_two_panels(calibrate: Any) -> None:
    # Derived, no source: panels 0.05 and 0.50 at signals 210 and 2000 (2 %, 5 counts), scene
    # 900 with 15 counts: R 0.2234637, u 0.0055035 (independent certificates).
    low, high, s1, s2 = 0.05, 0.50, 210.0, 2000.0
    g = (high - low) / (s2 - s1)
    a = low - g * s1
    u1, u2 = np.hypot(0.02 * low, g * 5), np.hypot(0.02 * high, g * 5)
    span = s2 - s1
    var_g = (u1**2 + u2**2) / span**2
    var_a = (s2 * u1 / span) ** 2 + (s1 * u2 / span) ** 2
    cov = -(s2 * u1**2 + s1 * u2**2) / span**2
    table = table_of(gain=g, offset=a, gain_variance=var_g, offset_variance=var_a, covariance=cov,
                     fixed_variance=225.0, dark=0.0)  # fmt: skip
    r, u, _ = one(calibrate(counts(900), table, lines_of()))
    assert r == 2235
    assert u == 550  # 0.0055035 to two digits


@BOTH
@pytest.mark.parametrize(
    ("raw", "table", "flags", "blank"),
    [
        (1100, {}, Q(0), False),
        (3999, {}, Q(0), False),
        (4000, {}, Q.SATURATED, True),
        (4095, {"blank_mask": int(Q.NO_CALIBRATION)}, Q.SATURATED, False),
        # 3 times a noise of 10 is 30: not below 3.
        (130, {"read_variance": 100.0}, Q(0), False),
        (129, {"read_variance": 100.0}, Q.LOW_SIGNAL, False),
        (100, {}, Q.LOW_SIGNAL, False),
        (50, {}, Q.LOW_SIGNAL, False),
        # shot noise: signal 8, variance 8/1 = 8; 8 < 3 * 2.83
        (108, {"shot": 1.0}, Q.LOW_SIGNAL, False),
        (110, {"shot": 1.0}, Q(0), False),
        (1100, {"element_flags": int(Q.BAD_ELEMENT)}, Q.BAD_ELEMENT, True),
        (1100, {"element_flags": int(Q.NO_CALIBRATION)}, Q.NO_CALIBRATION, True),
        (1100, {"high": 0.4999}, Q.OUTSIDE_PANEL_RANGE, False),
        (1100, {"low": 0.5001}, Q.OUTSIDE_PANEL_RANGE, False),
        (4095, {"element_flags": int(Q.BAD_ELEMENT)}, Q.SATURATED | Q.BAD_ELEMENT, True),
        # 3900/1000 = 3.8 does not fit int16 at a step of 1e-4.
        (3900, {"gain": 1 / 1000}, Q.BEYOND_PACKING, True),
        # ... whatever is to be blank.
        (3900, {"gain": 1 / 1000, "blank_mask": 0}, Q.BEYOND_PACKING, True),
        # 3267.7/1000 is the last that does.
        (3367.6, {"gain": 1 / 1000}, Q(0), False),
        (1100, {"element_flags": int(Q.NO_DATA)}, Q.NO_DATA, True),
    ],
)
def test_flags_and_blanks(
    calibrate: Any, raw: float, table: dict[str, Any], flags: Q, blank: bool
) -> None:
    dtype = np.uint16 if isinstance(raw, int) else np.float32
    r, u, q = one(calibrate(counts(raw, dtype=dtype), table_of(**table), lines_of()))
    assert Q(q) == flags
    assert (r == REFLECTANCE.fill) == blank
    assert (u == UNCERTAINTY.fill) == blank


@BOTH
def test_line_flags_mark_the_whole_line(calibrate: Any) -> None:
    lines = replace(lines_of(2), line_flags=np.array([0, Q.DARK_UNCERTAIN], np.uint8))
    block = calibrate(np.full((2, 3, 4), 1100, np.uint16), table_of(3, 4), lines)
    assert not block.flags[:, 0].any()
    assert (block.flags[:, 1] == Q.DARK_UNCERTAIN).all()


@BOTH
@pytest.mark.parametrize("uncertainty", [True, False])
@pytest.mark.parametrize(
    ("value", "flags"),
    [
        (np.nan, Q.NO_DATA | Q.LOW_SIGNAL),
        (np.inf, Q.BEYOND_PACKING | Q.SATURATED | Q.OUTSIDE_PANEL_RANGE),
        (-np.inf, Q.BEYOND_PACKING | Q.LOW_SIGNAL | Q.OUTSIDE_PANEL_RANGE),
    ],
)
def test_a_count_that_is_no_number_is_blank_and_says_why(
    calibrate: Any, value: float, flags: Q, uncertainty: bool
) -> None:
    table = table_of(low=0.0, high=1.0, shot=0.2, blank_mask=0)
    with np.errstate(invalid="ignore"):
        block = calibrate(
            counts(value, dtype=np.float32), table, lines_of(), uncertainty=uncertainty
        )
    r, u, q = one(block)
    assert (r, u) == (REFLECTANCE.fill, UNCERTAINTY.fill if uncertainty else None)
    assert Q(q) == flags


@BOTH
def test_a_neighbour_without_data_leaves_an_interpolated_element_without(calibrate: Any) -> None:
    table = table_of(
        1, 3, element_flags=[0, Q.BAD_ELEMENT, 0], patch_band=np.array([0], np.int32),
        patch_sample=np.array([1], np.int32), patch_left=np.array([0], np.int32),
        patch_right=np.array([2], np.int32), patch_weight=np.array([0.5], np.float32),
        blank_mask=int(Q.NO_DATA),
    )  # fmt: skip
    block = calibrate(counts(300, 9, np.nan, dtype=np.float32), table, lines_of())
    assert [bool(q & Q.NO_DATA) for q in block.flags[0, 0]] == [False, True, True]
    assert (block.reflectance[0, 0] == REFLECTANCE.fill).tolist() == [False, True, True]


@BOTH
def test_an_uncertainty_too_large_for_its_packing_is_the_largest_one(calibrate: Any) -> None:
    block = calibrate(counts(1100), table_of(offset_variance=4.0), lines_of())
    assert one(block) == (5000, UNCERTAINTY.largest, Q.BEYOND_PACKING)
    blank = table_of(offset_variance=4.0, blank_mask=int(Q.BEYOND_PACKING))
    asked = calibrate(counts(1100), blank, lines_of())
    assert one(asked) == (REFLECTANCE.fill, UNCERTAINTY.fill, Q.BEYOND_PACKING)
    held = calibrate(counts(1100), table_of(offset_variance=0.42), lines_of())
    assert one(held) == (5000, 65000, 0)


@BOTH
@pytest.mark.parametrize(
    ("sigma", "packed"),
    [
        (0.0000001, 1), (0.000014, 1), (0.000016, 2), (0.00099, 99), (0.000994, 99),
        (0.000996, 100), (0.00123, 120), (0.00126, 130), (0.00994, 990), (0.00996, 1000),
        (0.0123, 1200), (0.0994, 9900), (0.0996, 10000), (0.123, 12000), (0.649, 65000),
        (0.654, 65000),
    ],
)  # fmt: skip
def test_uncertainty_has_two_significant_digits(calibrate: Any, sigma: float, packed: int) -> None:
    block = calibrate(counts(1100), table_of(offset_variance=sigma**2), lines_of())
    assert one(block)[1] == packed


@BOTH
def test_without_uncertainty_the_rest_is_the_same(calibrate: Any) -> None:
    raw = np.arange(0, 4096, 273, dtype=np.uint16).reshape(1, 1, -1)
    table = table_of(1, raw.size, read_variance=4.0)
    whole, part = (
        calibrate(raw, table, lines_of(), uncertainty=wanted) for wanted in (True, False)
    )
    assert part.uncertainty is None
    np.testing.assert_array_equal(part.reflectance, whole.reflectance)
    np.testing.assert_array_equal(part.flags, whole.flags)
    assert (part.tallies[:, TALLIES.index("negative")] == 0).all()


@BOTH
def test_tallies_by_hand(calibrate: Any) -> None:
    # u = 0.01: below -0.03 is negative. -0.05, 0.0, 0.5, 1.6, saturated.
    raw = counts(0, 100, 1100, 3300, 4050)
    table = table_of(1, 5, offset_variance=1e-4, low=0.1, high=0.6)
    block = calibrate(raw, table, lines_of())
    told = dict(zip(TALLIES, block.tallies[0].tolist(), strict=True))
    assert told == {
        "samples": 5, "saturated": 1, "low_signal": 2, "outside": 4, "sound": 4, "negative": 1,
        "above": 1,
    }  # fmt: skip


@BOTH
def test_bad_elements_are_interpolated_between_their_neighbours(calibrate: Any) -> None:
    table = table_of(
        1,
        5,
        element_flags=[0, Q.BAD_ELEMENT, Q.BAD_ELEMENT, 0, 0],
        patch_band=np.array([0, 0], np.int32),
        patch_sample=np.array([1, 2], np.int32),
        patch_left=np.array([0, 0], np.int32),
        patch_right=np.array([3, 3], np.int32),
        patch_weight=np.array([1 / 3, 2 / 3], np.float32),
        blank_mask=int(Q.SATURATED | Q.NO_CALIBRATION),
    )
    block = calibrate(counts(300, 9, 9, 900, 500), table, lines_of())
    assert block.reflectance[0, 0].tolist() == [1000, 2000, 3000, 4000, 2000]
    assert block.flags[0, 0].tolist() == [0, Q.BAD_ELEMENT, Q.BAD_ELEMENT, 0, 0]
    beside = calibrate(counts(300, 9, 9, 4000, 500), table, lines_of())
    assert (beside.reflectance[0, 0, 1:4] == REFLECTANCE.fill).all()
    assert (beside.flags[0, 0, 1:4] & Q.SATURATED != 0).all()


@BOTH
def test_inputs_are_not_altered(calibrate: Any) -> None:
    raw = np.arange(24, dtype=np.uint16).reshape(2, 3, 4)
    table, lines = table_of(3, 4), lines_of(2)
    before = [a.copy() for a in (raw, *table.arrays(), *vars(lines).values())]
    calibrate(raw, table, lines)
    for then, now in zip(before, (raw, *table.arrays(), *vars(lines).values()), strict=True):
        np.testing.assert_array_equal(then, now)


def test_every_array_of_the_table_reaches_the_kernel() -> None:
    table = table_of()
    arrays = [f.name for f in fields(table) if isinstance(getattr(table, f.name), np.ndarray)]
    assert len(table.arrays()) == len(arrays) == 20


#: In place of zero, at which `uncertainties` warns: far below what any term can show.
TINY = 1e-12


def propagated(x: dict[str, float]) -> tuple[float, float]:
    """Reflectance and its standard uncertainty by the `uncertainties` package, linear in all."""

    def about(value: float, u: float) -> Any:
        return ufloat(value, max(u, TINY))

    read = about(0, x["read"])
    shot = about(0, np.sqrt(max(x["counts"] - x["dark"], 0) / x["k"]))
    dark = about(x["dark"], x["u_dark"])
    f, q = about(x["f"], x["u_f"]), about(x["q"], x["u_q"])
    u_g, u_a = max(x["u_g"], TINY), max(x["u_a"], TINY)
    cov = x["rho"] * x["u_g"] * x["u_a"]
    g, a = correlated_values([x["g"], x["a"]], [[u_g**2, cov], [cov, u_a**2]])
    r = a + g * ((x["counts"] + read + shot - dark) / f) / q
    return r.nominal_value, r.std_dev


def drawn(seed: int, *, n: int = 40) -> list[dict[str, float]]:
    rng = np.random.default_rng(seed)

    def case() -> dict[str, float]:
        u = rng.uniform
        return {
            "counts": float(rng.integers(60, 3900)), "dark": u(80, 120), "read": u(0.5, 5),
            "k": u(2, 30), "u_dark": u(0, 2), "f": u(0.7, 1.3), "u_f": u(0, 0.02),
            "q": u(0.5, 1.5), "u_q": u(0, 0.05), "g": 1 / u(2500, 5000), "a": u(-0.05, 0.05),
            "u_g": u(0, 5e-6), "u_a": u(0, 0.02), "rho": u(-1, 1),
        }  # fmt: skip

    return [case() for _ in range(n)]


def table_for(x: dict[str, float]) -> tuple[KernelTable, LineTable]:
    known = (np.array([x[name]]) for name in ("read", "u_dark", "f", "u_f"))
    table = table_of(
        dark=x["dark"],
        **equation.fold_element(*known, electrons_per_count=x["k"])._asdict(),
        gain=x["g"],
        offset=x["a"],
        gain_variance=x["u_g"] ** 2,
        offset_variance=x["u_a"] ** 2,
        covariance=x["rho"] * x["u_g"] * x["u_a"],
    )
    lines = lines_of(inverse_ratio=1 / x["q"], ratio_variance=(x["u_q"] / x["q"]) ** 2)
    return table, lines


def two_digits(u: float) -> float:
    return float(f"{u:.1e}")


#: What is left when all but one source of error is taken away.
TERMS = ("read", "shot", "u_dark", "u_f", "u_q", "u_g", "u_a")


@pytest.mark.parametrize("term", [*TERMS, "all"])
@BOTH
def test_uncertainty_term_by_term_against_the_uncertainties_package(
    calibrate: Any, term: str
) -> None:
    for x in drawn(seed=len(term)):
        if term != "all":
            x |= {name: 0.0 for name in TERMS if name not in (term, "shot")}
            x |= {} if term == "shot" else {"k": 1e18}
        wanted_r, wanted_u = propagated(x)
        r, u, _ = one(calibrate(counts(x["counts"]), *table_for(x)))
        assert r * 1e-4 == pytest.approx(wanted_r, abs=0.51e-4)
        # Half a step of the packing or half a unit of the second digit, and float32.
        half = max(0.5e-5, 0.5 * 10.0 ** (np.floor(np.log10(max(wanted_u, 1e-9))) - 1))
        assert u is not None
        assert u * 1e-5 == pytest.approx(wanted_u, abs=half + 1e-4 * wanted_u + (u == 1) * 1e-5)


def test_the_equations_terms_are_the_law_of_propagation_and_the_kernels() -> None:
    for x in drawn(seed=99, n=200):
        signal = equation.signal_from_counts(np.array([x["counts"]]), x["dark"], x["f"])
        u_g, u_a = np.array([x["u_g"]]), np.array([x["u_a"]])
        fit = equation.FitVariance(u_g**2, u_a**2, x["rho"] * u_g * u_a)
        nothing = equation.FitVariance(0 * u_g, 0 * u_a, 0 * u_g)
        quantities = equation.InputQuantities(
            signal, x["read"], x["u_dark"], x["f"], x["u_f"], x["k"], x["q"], x["u_q"], x["g"],
            fit=fit, certificate=nothing, scatter=nothing,
        )  # fmt: skip
        u = np.sqrt(equation.combined(equation.variance_terms(quantities).values()))[0]
        assert u == pytest.approx(propagated(x)[1], rel=1e-9)
        _, packed, _ = one(calibrate_block(counts(x["counts"]), *table_for(x)))
        assert packed is not None
        assert packed * 1e-5 == pytest.approx(two_digits(u), rel=0.011, abs=1.01e-5)


def test_unpacked_gives_nan_where_the_fill_is() -> None:
    values = REFLECTANCE.unpacked(np.array([REFLECTANCE.fill, 5000, -3], np.int16))
    np.testing.assert_allclose(values, [np.nan, 0.5, -0.0003], rtol=1e-6)
    assert values.dtype == np.float32


@BOTH
def test_the_packings_own_ends_are_held(calibrate: Any) -> None:
    ends = np.array([32767, -32767]) / 10_000
    # One count is one step: offset 0 and gain 1e-4 from a dark of 40000.
    table = table_of(1, 2, dark=40_000.0, gain=1e-4, saturation_counts=1e9, low_signal_snr=0.0)
    counts = np.array([[[72_767, 7_233]]], np.float32)
    block = calibrate(counts, table, lines_of())
    assert block.reflectance.ravel().tolist() == [32767, -32767]
    assert not (block.flags & Q.BEYOND_PACKING).any()
    np.testing.assert_allclose(block.reflectance.ravel() * 1e-4, ends)
    beyond = calibrate(counts + np.array([1, -1], np.float32), table, lines_of())
    assert (beyond.flags & Q.BEYOND_PACKING).all()


@BOTH
def test_each_band_has_its_own_light(calibrate: Any) -> None:
    light = np.array([[1.0, 0.5], [2.0, 4.0]], np.float32)
    lines = replace(lines_of(2), inverse_ratio=light, ratio_variance=0 * light)
    block = calibrate(np.full((2, 2, 1), 1100, np.uint16), table_of(2, 1), lines)
    # 1000 counts at gain 1/2000, over q.
    np.testing.assert_allclose(block.reflectance[..., 0] * 1e-4, [[0.5, 0.25], [1.0, 2.0]])


def test_a_low_block_fills_the_memory_of_a_whole_one() -> None:
    """The last block of a cube has fewer lines; what the block before left there must not show."""
    raw = np.random.default_rng(4).integers(0, 4096, (5, 3, 6), dtype=np.uint16)
    table, lines = table_of(3, 6), lines_of(5)
    whole = block_buffers(3, 8, 6)
    assert whole.uncertainty is not None
    for kept in (whole.reflectance, whole.uncertainty, whole.flags):
        kept[...] = 7
    fresh = calibrate_block(raw, table, lines)
    filled = calibrate_block(raw, table, lines, out=low_buffers(whole, 5))
    for name in ("reflectance", "uncertainty", "flags", "tallies"):
        np.testing.assert_array_equal(getattr(filled, name), getattr(fresh, name))
    assert np.shares_memory(filled.reflectance, whole.reflectance)
