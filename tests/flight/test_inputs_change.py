"""A file that changes while a run is at work: what was read of it before and after is not one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import pipeline
from pipeline.errors import InputError
from pipeline.flight import run as flight_run
from pipeline.flight.field_check import look
from pipeline.flight.run import run

Change = Callable[[Path], None]


def edited(path: Path) -> None:
    """Another content of the same size, its modification time set back."""
    seen = path.stat()
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(seen.st_atime_ns, seen.st_mtime_ns))


def replaced(path: Path) -> None:
    """Another file under the name, alike in size and time."""
    other = path.with_name(f"{path.name}.new")
    shutil.copy2(path, other)
    edited(other)
    other.replace(path)


def gone(path: Path) -> None:
    path.unlink()


def after_measuring(monkeypatch: pytest.MonkeyPatch, change: Callable[[], None]) -> None:
    """Let something change between the panels' reading and the cubes'."""
    prepare = flight_run.prepare

    def then_changed(*arguments: Any, **options: Any) -> Any:
        prepared = prepare(*arguments, **options)
        change()
        return prepared

    monkeypatch.setattr(flight_run, "prepare", then_changed)


def published(flight: Any) -> list[str]:
    return [p.parent.name for p in (flight.folder / "results").glob("*/*/run.json")]


@pytest.mark.parametrize("change", [edited, replaced])
@pytest.mark.parametrize("name", ["strip-01.raw", "strip-01.hdr", "strip-01.times.csv"])
def test_a_cube_whose_own_file_changed_is_refused(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch, name: str, change: Change
) -> None:
    after_measuring(monkeypatch, lambda: change(plain_copy.folder / "raw" / name))
    result = run(plain_copy.config, workers=2)
    assert result.document["outcome"] == "partial"
    rows: Any = result.document["cubes"]
    [(cube, why)] = [(r["cube"], r["why"]) for r in rows if r["outcome"] == "refused"]
    assert cube == "strip-01"
    assert name in why
    assert "changed" in why
    assert sorted(p.name for p in result.folder.glob("*.nc")) == ["strip-00.nc"]
    names = {v["prov:label"] for k, v in result.document["entity"].items() if ":input/" in k}  # type: ignore[attr-defined]
    assert f"raw/{name}" not in names


@pytest.mark.parametrize("change", [edited, replaced, gone])
@pytest.mark.parametrize(
    "name",
    [
        "raw/strip-00.raw", "raw/strip-00.times.csv", "raw/cap-before.raw", "raw/cap-before.hdr",
        "raw/flat-0.raw", "raw/flat-0.hdr", "raw/manifest.sha256", "certificates/grey-50.csv",
        "track.csv", "irradiance.csv", "areas.kml",
    ],
)  # fmt: skip
def test_a_run_is_refused_when_what_all_of_it_needs_changed(
    rich_copy: Any, monkeypatch: pytest.MonkeyPatch, name: str, change: Change
) -> None:
    """strip-00 holds the panels: through them it is part of every cube."""
    after_measuring(monkeypatch, lambda: change(rich_copy.folder / name))
    with pytest.raises(InputError, match="changed") as error:
        run(rich_copy.config, workers=2)
    assert Path(name).name in str(error.value)
    assert published(rich_copy) == []


def test_a_cube_that_changed_is_found_though_its_digest_was_remembered(
    plain_copy: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = run(plain_copy.config)
    plain_copy.edit("[output]", "[quality]\nlow_signal_snr = 4.0\n\n[output]")
    after_measuring(monkeypatch, lambda: edited(plain_copy.folder / "raw" / "strip-01.raw"))
    second = run(plain_copy.config)
    assert second.folder != first.folder
    assert second.document["outcome"] == "partial"


def test_a_changed_raw_file_is_seen_in_spite_of_its_times(plain_copy: Any) -> None:
    first = run(plain_copy.config)
    edited(plain_copy.folder / "raw" / "strip-01.raw")
    second = run(plain_copy.config)
    assert not second.reused
    assert second.folder != first.folder


def test_the_field_check_looks_again(plain_copy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.flight import field_check

    rows = field_check.panel_rows

    def changed(*arguments: Any) -> Any:
        edited(plain_copy.folder / "raw" / "strip-00.raw")
        return rows(*arguments)

    monkeypatch.setattr(field_check, "panel_rows", changed)
    with pytest.raises(InputError, match=r"strip-00\.raw: changed"):
        look(plain_copy.config)


def test_a_lazy_dataset_gives_no_numbers_of_a_changed_file(plain_copy: Any) -> None:
    dataset = pipeline.reflectance(plain_copy.config, "strip-01")
    edited(plain_copy.folder / "raw" / "strip-01.raw")
    with pytest.raises(InputError, match=r"strip-01\.raw: changed"):
        dataset["reflectance"].isel(line=slice(0, 5)).compute()
