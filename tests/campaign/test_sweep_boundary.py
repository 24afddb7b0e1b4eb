"""A flight in the inbox reads its own folder and what the campaign names, and nothing else."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.campaign.sweep import FlightResult, sweep
from pipeline.cli.commands import main

SECRET = "launch,code\n12345,correct horse battery staple\n"


@pytest.fixture
def inbox(plain_flight: Any, tmp_path: Path) -> Path:
    """A campaign in a folder with one flight, and a file that is none of its business."""
    plain_flight.copy(tmp_path / "inbox" / "june")
    (tmp_path / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\nattempts = 1\n")
    (tmp_path / "secret.csv").write_text(SECRET)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "strip-00.hdr").write_text(SECRET)
    return tmp_path


def edit(base: Path, old: str, new: str) -> None:
    path = base / "inbox" / "june" / "flight.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def swept(base: Path) -> FlightResult:
    [flight] = sweep(base / "campaign.toml").flights
    return flight


def track(value: str) -> Callable[[Path], None]:
    return lambda base: edit(base, '"track.csv"', f'"{value.format(base=base)}"')


def certificate(value: str) -> Callable[[Path], None]:
    def change(base: Path) -> None:
        edit(base, '"certificates/grey-50.csv"', f'"{value.format(base=base)}"')

    return change


def link(name: str, target: str) -> Callable[[Path], None]:
    def change(base: Path) -> None:
        path = base / "inbox" / "june" / name
        if path.is_dir():
            shutil.rmtree(path)
        path.unlink(missing_ok=True)
        path.symlink_to(target.format(base=base))

    return change


def deep_link(base: Path) -> None:
    (base / "inbox" / "june" / "raw" / "out").symlink_to(base / "elsewhere")
    edit(base, '"strip-*.hdr"', '"out/strip-*.hdr"')


def flat(base: Path) -> None:
    edit(base, "[flight]", '[flight]\nflat = "../../../secret.csv"')


def manifest(base: Path) -> None:
    edit(base, "[flight]", '[flight]\nmanifest = "../../secret.csv"')


def whole_folder(base: Path) -> None:
    shutil.move(base / "inbox" / "june", base / "june")
    (base / "inbox" / "june").symlink_to(base / "june")


WAYS_OUT: dict[str, Callable[[Path], None]] = {
    "climbs out": track("../../secret.csv"),
    "climbs out by way of itself": track("raw/../../../secret.csv"),
    "absolute": track("{base}/secret.csv"),
    "absolute, not there": track("{base}/absent.csv"),
    "certificate climbs out": certificate("../../secret.csv"),
    "certificate absolute": certificate("{base}/secret.csv"),
    "flat": flat,
    "manifest": manifest,
    "folder": lambda base: edit(base, 'folder = "raw"', 'folder = "../../elsewhere"'),
    "table is a link": link("track.csv", "{base}/secret.csv"),
    "table is a relative link": link("track.csv", "../../secret.csv"),
    "header is a link": link("raw/strip-00.hdr", "{base}/secret.csv"),
    "raw file is a link": link("raw/strip-00.raw", "{base}/secret.csv"),
    "line times are a link": link("raw/strip-00.times.csv", "{base}/secret.csv"),
    "manifest is a link": link("raw/manifest.sha256", "{base}/secret.csv"),
    "config is a link": link("flight.toml", "{base}/secret.csv"),
    "folder is a link": link("certificates", "{base}/elsewhere"),
    "a link deep within": deep_link,
    "a link to nothing outside": link("raw/strip-07.hdr", "{base}/absent"),
    "all of it is a link": whole_folder,
}


@pytest.mark.parametrize("way", WAYS_OUT.values(), ids=WAYS_OUT.keys())
def test_what_leads_out_is_refused_and_never_shown(
    inbox: Path, way: Callable[[Path], None], capsys: pytest.CaptureFixture[str]
) -> None:
    way(inbox)
    log = inbox / "log.jsonl"
    assert main(["sweep", str(inbox / "campaign.toml"), "--log", str(log)]) == 1
    told = capsys.readouterr()
    assert "june" in told.out
    assert "leads out" in told.out
    page = (inbox / "results" / "index.html").read_text()
    for text in (told.out, told.err, page, log.read_text()):
        for word in ("launch", "12345", "horse"):
            assert word not in text
    assert not list(inbox.glob("results/*/*/run.json"))


def test_the_foreign_file_is_not_even_opened(inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An unreadable file would be told of as such if anybody tried."""
    track("../../secret.csv")(inbox)
    opened: list[str] = []
    original = os.open

    def watched(path: Any, *arguments: Any, **options: Any) -> int:
        opened.append(str(path))
        return original(path, *arguments, **options)

    monkeypatch.setattr(os, "open", watched)
    assert swept(inbox).state == "set aside"
    assert not [path for path in opened if "secret" in path]


def test_what_the_campaign_names_may_be_read(inbox: Path) -> None:
    """A flight's own config may use the campaign's certificates, by name or through a link."""
    shutil.move(inbox / "inbox" / "june" / "certificates", inbox / "certificates")
    names = sorted(p.name for p in (inbox / "certificates").iterdir())
    template = '\n[flight]\ncubes = "strip-*.hdr"\ndarks = "cap-*.hdr"\n'
    for i, name in enumerate(names):
        template += (
            f'[[panel]]\nname = "p{i}"\ncertificate = "certificates/{name}"\nwhere = "search"\n'
        )
    campaign = inbox / "campaign.toml"
    campaign.write_text(campaign.read_text() + template)
    (inbox / "inbox" / "june" / "certificates").mkdir()
    for name in names[1:]:
        edit(inbox, f'"certificates/{name}"', f'"../../certificates/{name}"')
    (inbox / "inbox" / "june" / "certificates" / names[0]).symlink_to(
        inbox / "certificates" / names[0]
    )
    flight = swept(inbox)
    assert (flight.state, flight.verdict) == ("done", "good"), flight.reason


def test_links_that_stay_within_are_followed(inbox: Path) -> None:
    june = inbox / "inbox" / "june"
    (june / "tracks").mkdir()
    (june / "track.csv").rename(june / "tracks" / "a.csv")
    (june / "track.csv").symlink_to("tracks/a.csv")
    (june / "raw").rename(june / "card")
    (june / "raw").symlink_to("card")
    assert swept(inbox).state == "done"


def test_an_inbox_that_is_a_link_itself_is_the_campaigns_own_affair(inbox: Path) -> None:
    shutil.move(inbox / "inbox", inbox / "disk")
    (inbox / "inbox").symlink_to(inbox / "disk")
    assert swept(inbox).state == "done"


def test_what_a_manifest_lists_is_not_followed_out(inbox: Path) -> None:
    """Whether a foreign file has a digest is nobody's business either."""
    june = inbox / "inbox" / "june"
    (june / "raw" / "notes").symlink_to(inbox / "secret.csv")
    listed = june / "raw" / "manifest.sha256"
    listed.write_text(listed.read_text() + f"{'0' * 64}  notes\n")
    assert "leads out" in swept(inbox).reason
