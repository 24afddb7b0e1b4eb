"""A simulated flight as another camera, logger and person would have left it.

Headers, tables and names are rewritten by plain text alone, with nothing of the readers.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
import random
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.synthetic import FlightPlan, make_flight
from pipeline.synthetic.plan import PanelPlan

GPS_LESS_UNIX_S = 315_964_800 - 18  # since 2017
_EXPOSURE = {
    "exposure time": ("ms", 1.0), "shutter_us": ("", 1e3), "integration time (ms)": ("", 1.0),
    "tint": ("", 1e3), "Exposure": (" us", 1e3),
}  # fmt: skip
_PERIOD: dict[str, Callable[[float], float]] = {
    "frame period": lambda ms: ms, "line rate": lambda ms: 1e3 / ms, "fps": lambda ms: 1e3 / ms,
    "frame interval us": lambda ms: ms * 1e3, "line time (ms)": lambda ms: ms,
}  # fmt: skip
_TEMPERATURE = {"sensor temperature": 0.0, "FPA temp": 273.15, "detector temperature": 273.15}


@dataclass(frozen=True)
class Disguised:
    """A flight in two forms."""

    plain: Path  # its config, written with full knowledge
    folder: Path  # what came off the card
    stems: Mapping[str, str]  # of the plain one to those of the card
    told: str  # how it is disguised


class Clock:
    """How one device writes times."""

    def __init__(self, chance: random.Random, *, anchored: bool) -> None:
        forms = ["iso Z", "unix s", "unix ms", "unix us"]
        self.form = chance.choice(forms if not anchored else [*forms, "local", "gps s"])
        self.zone_h = chance.choice([-5, 1, 2, 9])

    def text(self, utc: str, decimal: str = ".") -> str:
        moment = dt.datetime.fromisoformat(utc.replace("Z", "+00:00"))
        s = moment.timestamp()
        if self.form == "iso Z":
            return utc
        if self.form == "local":
            local = moment + dt.timedelta(hours=self.zone_h)
            return local.strftime("%Y-%m-%d %H:%M:%S.%f")
        number = {
            "unix s": f"{s:.6f}",
            "unix ms": f"{s * 1e3:.3f}",
            "unix us": f"{s * 1e6:.0f}",
            "gps s": f"{s - GPS_LESS_UNIX_S:.6f}",
        }[self.form]
        return number.replace(".", decimal)


def make_disguised(base: Path, seed: int) -> Disguised:
    """A flight drawn at random, and its files as they might lie on a card."""
    chance = random.Random(seed)
    levels = sorted(chance.sample([0.04, 0.09, 0.17, 0.28, 0.42, 0.55], chance.randint(3, 5)))
    log, track, times = (chance.random() < share for share in (0.5, 0.6, 0.6))
    plan = FlightPlan(
        cubes=chance.randint(2, 4), lines=300, samples=128, bands=40, dark_frames=80, seed=seed,
        dark_captures=chance.choice([("before",), ("before", "after")]), flat=chance.random() < 0.3,
        panels=tuple(PanelPlan(f"p-{round(100 * level):02d}", level) for level in levels),
        illumination="irradiance log" if log else "constant",
        regions_format=chance.choice(["kml", "geojson"]), manifest=False,
    )  # fmt: skip
    plain = base / "plain"
    make_flight(plain, plan)
    card = base / "card"
    card.mkdir()
    told = [f"log {log}, track {track}, times {times}, flat {plan.flat}, {len(levels)} panels"]
    headers = Clock(chance, anchored=track or log or times)
    # One of the tables at least says for certain when it was; the headers may then be local.
    tables = [n for n, there in (("times", times), ("track", track), ("log", log)) if there]
    clocks = {n: Clock(chance, anchored=i > 0) for i, n in enumerate(tables)}
    told.append(f"headers {headers.form}, " + ", ".join(f"{n} {c.form}" for n, c in clocks.items()))
    stems = _captures(plain, card, chance, headers, told)
    if times:
        _line_times(plain, card, stems, chance, clocks["times"])
    if track:
        _track(plain, card, chance, clocks["track"], told)
    if log:
        names = {
            "time_utc": chance.choice(["time", "UTC", "t"]),
            "irradiance": chance.choice(["W/m2", "GHI", "ch1"]),
        }
        _table(
            plain / "irradiance.csv", card / chance.choice(["light.txt", "s_3.csv", "sky.log"]),
            names, chance, clocks["log"], delimiter=chance.choice([";", ",", "\t"]),
        )  # fmt: skip
    _certificates(plain, card, chance, told)
    for file in (*plain.glob("areas.*"),):
        shutil.copy(file, card / f"{chance.choice(['plots', 'field-7', 'polygons'])}{file.suffix}")
    (card / "notes.txt").write_text("wind 3 m/s, cumulus to the west\n")
    return Disguised(plain / "flight.toml", card, stems, "; ".join(told))


def _captures(
    plain: Path, card: Path, chance: random.Random, clock: Clock, told: list[str]
) -> dict[str, str]:
    """Headers in other words, and the data under another suffix."""
    where = card / chance.choice([".", "raw", "cube data"])
    where.mkdir(exist_ok=True)
    exposure, period = chance.choice(list(_EXPOSURE)), chance.choice(list(_PERIOD))
    temperature = chance.choice(list(_TEMPERATURE))
    start = chance.choice(["acquisition start", "Start Time", "timestamp", "recorded at"])
    suffix = chance.choice([".raw", ".bin", ".dat", ".img"])
    first = chance.choice(["ENVI", "Recorder 4.1", "# header"])
    told.append(f"{exposure}, {period}, {temperature}, {start}, {suffix}")
    names = _names(sorted(p.stem for p in (plain / "raw").glob("*.hdr")), chance)
    unit, times = _EXPOSURE[exposure]
    for old, new in names.items():
        lines = (plain / "raw" / f"{old}.hdr").read_text().split("\n")
        text = "\n".join([first, *lines[1:]])

        def value(key: str, text: str = text) -> str:
            found = re.search(rf"(?m)^{key} = (.*)$", text)
            assert found is not None
            return found[1]

        text = text.replace(
            f"frame period = {value('frame period')}",
            f"{period} = {_PERIOD[period](float(value('frame period'))):.8g}",
        )
        text = text.replace(
            f"exposure time = {value('exposure time')}",
            f"{exposure} = {float(value('exposure time')) * times:.8g}"
            f"{unit if unit.strip() == 'us' else ''}",
        )
        kelvin = float(value("sensor temperature")) + _TEMPERATURE[temperature]
        text = text.replace(
            f"sensor temperature = {value('sensor temperature')}", f"{temperature} = {kelvin:.2f}"
        )
        text = text.replace(
            f"acquisition start = {value('acquisition start')}",
            f"{start} = {clock.text(value('acquisition start'))}",
        )
        (where / f"{new}.hdr").write_text(text)
        shutil.copy(plain / "raw" / f"{old}.raw", where / f"{new}{suffix}")
    return names


def _names(old: Sequence[str], chance: random.Random) -> dict[str, str]:
    """New stems that keep strips in their order, and say nothing of what a capture is."""
    numbers = sorted(chance.sample(range(100, 1000), len(old)))
    style = chance.choice(["rec{}", "DCIM_{}", "{}-a"])
    # The darks and the flat get numbers among the others', as a card has them.
    strips_first = chance.random() < 0.5
    ordered = sorted(old, key=lambda o: (o.startswith("strip") != strips_first, o))
    return {o: style.format(n) for o, n in zip(ordered, numbers, strict=True)}


def _table(
    source: Path, target: Path, names: Mapping[str, str], chance: random.Random,
    clock: Clock | None, *, delimiter: str, scale: Mapping[str, float] | None = None,
) -> None:  # fmt: skip
    """A table with other names, separators and times."""
    decimal = chance.choice([",", "."]) if delimiter == ";" else "."
    with source.open(newline="") as file:
        rows = list(csv.DictReader(file))
    out = []
    for row in rows:
        cells = []
        for ours in names:
            if ours == "time_utc" and clock is not None:
                cells.append(clock.text(row[ours], decimal))
            elif ours == "line":
                cells.append(row[ours])
            else:
                value = float(row[ours]) * (scale or {}).get(ours, 1.0)
                cells.append(f"{value:.10f}".rstrip("0").rstrip(".").replace(".", decimal))
        out.append(delimiter.join(cells))
    head = [delimiter.join(names.values())]
    target.write_text("\n".join(head + out) + "\n")


def _line_times(
    plain: Path, card: Path, stems: Mapping[str, str], chance: random.Random, clock: Clock
) -> None:
    prefix, suffix = chance.choice(["", "times_"]), chance.choice([".times.csv", "_lines.txt"])
    line, time = chance.choice(["line", "frame", "n"]), chance.choice(["time_utc", "stamp", "time"])
    for old, new in stems.items():
        source = plain / "raw" / f"{old}.times.csv"
        if source.is_file():
            (folder,) = {p.parent for p in card.rglob(f"{new}.hdr")}
            _table(
                source, folder / f"{prefix}{new}{suffix}", {"line": line, "time_utc": time},
                chance, clock, delimiter=",",
            )  # fmt: skip


def _track(plain: Path, card: Path, chance: random.Random, clock: Clock, told: list[str]) -> None:
    radians = chance.random() < 0.3
    told.append(f"radians {radians}")
    names = {
        "time_utc": chance.choice(["GPS time", "time_utc", "utc"]),
        "latitude": chance.choice(["Lat", "latitude", "lat_wgs84"]),
        "longitude": chance.choice(["Lon", "longitude", "lng"]),
        "height_m": chance.choice(["AGL", "height_m", "rel_alt"]),
        "roll_deg": chance.choice(["roll", "Roll angle"]),
        "pitch_deg": "pitch",
        "heading_deg": chance.choice(["yaw", "heading"]),
    }
    angles = [n for n in names if n not in ("time_utc", "height_m")]
    _table(
        plain / "track.csv", card / chance.choice(["ins.csv", "nav_log.txt", "traj.tsv"]), names,
        chance, clock, delimiter=chance.choice([",", ";", "\t"]),
        scale=dict.fromkeys(angles, math.pi / 180) if radians else None,
    )  # fmt: skip


def _certificates(plain: Path, card: Path, chance: random.Random, told: list[str]) -> None:
    percent = chance.random() < 0.5
    told.append(f"percent {percent}")
    names = {
        "wavelength_nm": chance.choice(["nm", "Wavelength", "lambda"]),
        "reflectance": chance.choice(["R", "reflectance", "rho %"]),
        "expanded_uncertainty": chance.choice(["U (k=2)", "uncertainty", "U95"]),
    }
    delimiter = chance.choice([",", ";", "\t"])
    scale = dict.fromkeys(("reflectance", "expanded_uncertainty"), 100.0) if percent else None
    folder = card / chance.choice([".", "panels", "lab"])
    folder.mkdir(exist_ok=True)
    state = chance.getstate()
    for source in sorted((plain / "certificates").glob("*.csv")):
        chance.setstate(state)  # all of one laboratory
        _table(source, folder / source.name, names, chance, None, delimiter=delimiter, scale=scale)


def told_of(cases: Sequence[Disguised]) -> str:
    """For a report."""
    return json.dumps([case.told for case in cases], indent=1)
