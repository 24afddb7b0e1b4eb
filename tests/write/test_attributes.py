"""Global attributes, and times as they are written."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.errors import ConfigError
from pipeline.write.attributes import (
    RESERVED,
    iso_time,
    now_utc,
    require_free,
)
from pipeline.write.provenance import cube_attributes


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (1_781_781_634.0704, "2026-06-18T11:20:34.070Z"),
        (-0.5, "1969-12-31T23:59:59.500Z"),
    ],
)
def test_times_are_utc_to_the_millisecond(seconds: float, text: str) -> None:
    assert iso_time(seconds) == text


def test_now_is_now() -> None:
    told = dt.datetime.fromisoformat(now_utc())
    assert abs(dt.datetime.now(dt.UTC) - told) < dt.timedelta(seconds=5)


def _attributes(**more: str) -> dict[str, object]:
    return cube_attributes(
        flight="f", cube="c", started="2026-06-18T11:20:34Z", config_text="[flight]",
        config_sha256="0" * 64, steps=["dark subtracted", "divided"], blank=["saturated"],
        times_s=None, extents=None, more=more,
    )  # fmt: skip


def test_the_users_attributes_are_added() -> None:
    made = _attributes(creator_name="A. Lab", title="Mine")
    assert made["creator_name"] == "A. Lab"
    assert made["title"] == "Mine"
    assert made["config"] == "[flight]"


@pytest.mark.parametrize("name", sorted(RESERVED))
def test_provenance_is_not_the_users_to_set(name: str) -> None:
    with pytest.raises(ConfigError, match=f"output.attributes.{name}: only the program"):
        require_free(["title", name], "flight.toml: output.attributes")


def test_unknown_times_and_places_are_left_out() -> None:
    assert not [n for n in _attributes() if n.startswith(("time_coverage", "geospatial"))]
