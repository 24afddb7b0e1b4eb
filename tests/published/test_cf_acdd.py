"""CF-1.11 and ACDD-1.3, judged by the IOOS compliance checker, offline.

Passed means: no finding at all, but for those listed here, each with its reason.
"""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any

import pytest

import pipeline

with warnings.catch_warnings():
    # The checker's own imports are not ours to mend.
    warnings.simplefilter("ignore")
    from compliance_checker.runner import CheckSuite, ComplianceChecker

#: CF-1.11, 8.1 and its conformance document allow unsigned short with float scale factors since
#: CF-1.9 brought unsigned types (from memory); the checker still has the list of CF-1.6.
CF_ACCEPTED = {
    "Variable is not of type byte, short, or int as required for different type "
    "add_offset/scale_factor."
}
#: Only the user can know these; `output.attributes` in the config takes them.
OF_THE_USER = (
    "acknowledgment/acknowledgement", "comment", "creator_name", "creator_url", "creator_email",
    "institution", "project", "license", "publisher_name", "publisher_url", "publisher_email",
)  # fmt: skip
#: What a flat-ground estimate of one strip has no honest value for.
NOT_MADE_UP = (
    "geospatial_bounds", "geospatial_vertical_min", "geospatial_vertical_max",
    "geospatial_vertical_positive", "geospatial_bounds_crs", "geospatial_bounds_vertical_crs",
    "time_coverage_resolution",
)  # fmt: skip
NO_TRACK = (
    "geospatial_lat_min/max attribute not found, CF-1.6 spec chapter 4.1",
    "geospatial_lon_min/max attribute not found, CF-1.6 spec chapter 4.1",
    *(f"geospatial_{axis}_{end} not present" for axis in ("lat", "lon") for end in ("min", "max")),
)


@pytest.fixture(scope="module", autouse=True)
def checkers() -> None:
    CheckSuite.load_all_available_checkers()


def findings(file: Path, checker: str, report: Path) -> dict[str, set[str]]:
    """Messages by priority, each with the checked thing's name where the message leaves it out."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ComplianceChecker.run_checker(
            str(file), [checker], 0, "strict", output_filename=str(report), output_format="json"
        )
    told = json.loads(report.read_text())[checker]
    assert told["possible_points"] > 50, "the checker did not look"
    found: dict[str, set[str]] = {}
    for level in ("high", "medium", "low"):
        found[level] = set()
        for row in told[f"{level}_priorities"]:
            for text in row["msgs"]:
                alone = row["name"].startswith("variable ")
                found[level].add(f"{row['name']} {text}" if alone else text)
    return found


@pytest.fixture(scope="module", params=["with track", "without track", "with the user's own"])
def cube(
    request: pytest.FixtureRequest, rich_flight: Any, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    flight = rich_flight.copy(tmp_path_factory.mktemp("cf") / "flight")
    if request.param == "without track":
        flight.edit('track = "track.csv"\n', "").edit('regions = "areas.kml"\n', "")
    if request.param == "with the user's own":
        names = [n for n in OF_THE_USER if "/" not in n] + ["acknowledgement"]
        values = {n: "https://example.org/x" if n.endswith("url") else "a text" for n in names}
        values |= {n: "someone@example.org" for n in names if n.endswith("email")}
        lines = "\n".join(f'{name} = "{value}"' for name, value in values.items())
        flight.config.write_text(f"{flight.config.read_text()}\n[output.attributes]\n{lines}\n")
    result = pipeline.run(flight.config)
    return request.param, result.folder / "strip-00.nc"


def test_cf_finds_nothing(cube: tuple[str, Path], tmp_path: Path) -> None:
    found = findings(cube[1], "cf:1.11", tmp_path / "report.json")
    wrong = {level: texts - CF_ACCEPTED for level, texts in found.items()}
    assert wrong == {"high": set(), "medium": set(), "low": set()}


def test_acdd_misses_only_what_cannot_be_known(cube: tuple[str, Path], tmp_path: Path) -> None:
    kind, path = cube
    found = findings(path, "acdd:1.3", tmp_path / "report.json")
    # A row names its variable and lists what the variable lacks.
    lacking = {text.rsplit(" ", 1)[-1] for text in found["high"]}
    assert lacking <= {"standard_name"}, found["high"]
    allowed = {f"{name} not present" for name in NOT_MADE_UP}
    if kind != "with the user's own":
        allowed |= {f"{name} not present" for name in OF_THE_USER}
    if kind == "without track":
        allowed |= set(NO_TRACK)
    assert not found["medium"] - allowed


def test_the_checker_would_have_found_a_fault(cube: tuple[str, Path], tmp_path: Path) -> None:
    import shutil

    import netCDF4

    worse = tmp_path / "worse.nc"
    shutil.copy(cube[1], worse)
    with netCDF4.Dataset(worse, "a") as nc:
        nc["reflectance"].standard_name = "reflectance_of_our_invention"
        nc["fwhm"].units = "furlongs per cube"
        del nc["reflectance"].coverage_content_type
    assert findings(worse, "cf:1.11", tmp_path / "a.json")["high"]
    high = findings(worse, "acdd:1.3", tmp_path / "b.json")["high"]
    assert any(text.endswith("coverage_content_type") for text in high)
