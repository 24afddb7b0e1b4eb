""" "Already done" is said of a run that is whole; another one is made anew, and that is told."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.commands import main
from pipeline.flight.run import run
from pipeline.inspect.verify import verify


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])


def emptied(path: Path) -> None:
    path.write_bytes(b"")


Damage = Callable[[Path], None]
DAMAGES: list[tuple[str, Damage]] = [
    ("strip-01.nc", Path.unlink),
    ("strip-01.nc", cut),
    ("report.html", Path.unlink),
    ("report.html", cut),
    ("config.toml", emptied),
    ("checksums.sha256", Path.unlink),
    ("checksums.sha256", cut),
    ("run.json", cut),
    ("run.json", Path.unlink),
]


@pytest.mark.parametrize(
    ("name", "damage"), DAMAGES, ids=[f"{name} {how.__name__}" for name, how in DAMAGES]
)
def test_a_damaged_run_is_made_anew(
    plain_copy: Any, name: str, damage: Damage, capsys: pytest.CaptureFixture[str]
) -> None:
    first = run(plain_copy.config)
    damage(first.folder / name)
    assert main(["run", str(plain_copy.config)]) == 0
    told = capsys.readouterr()
    assert "already done" not in told.out + told.err
    [said] = [line for line in told.err.splitlines() if line.startswith("made anew")]
    assert name in said
    assert [p.name for p in first.folder.parent.iterdir() if p.name[0] != "."] == [
        first.folder.name
    ]
    assert all(finding.ok for finding in verify(first.folder, inputs=False))


def test_a_damaged_run_is_made_anew_without_the_remembered_digests(plain_copy: Any) -> None:
    first = run(plain_copy.config)
    shutil.rmtree(first.folder.parent / ".kept")
    (first.folder / "strip-00.nc").unlink()
    second = run(plain_copy.config)
    assert not second.reused
    assert (second.folder / "strip-00.nc").is_file()


def test_what_no_run_wrote_is_set_aside(
    plain_copy: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    first = run(plain_copy.config)
    (first.folder / "run.json").unlink()
    (first.folder / "notes.txt").write_text("mine")
    assert main(["run", str(plain_copy.config)]) == 0
    aside = first.folder.with_name(f"{first.folder.name}-set-aside")
    assert str(aside) in capsys.readouterr().err
    assert (aside / "notes.txt").read_text() == "mine"
    assert all(finding.ok for finding in verify(first.folder, inputs=False))
    assert main(["run", str(plain_copy.config)]) == 0
    assert "already done" in capsys.readouterr().out


def test_a_zarr_run_that_lost_a_part_is_made_anew(plain_copy: Any) -> None:
    plain_copy.edit('format = "netcdf"', 'format = "zarr"')
    first = run(plain_copy.config)
    parts = sorted((first.folder / "strip-00.zarr" / "reflectance").rglob("*"))
    next(p for p in parts if p.is_file() and p.name != "zarr.json").unlink()
    second = run(plain_copy.config)
    assert not second.reused
    assert run(plain_copy.config).reused
