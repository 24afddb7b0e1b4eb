"""A cap half on in the first dark: 30 counts of light on half the swath."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.flight.field_check import look


@pytest.mark.parametrize("coloured", [False, True], ids=["alike in all bands", "the scene's"])
def test_light_is_the_headline_and_no_warm_up(coloured: bool, plain_copy: Any) -> None:
    plan = plain_copy.plan
    scene = plain_copy.counts("strip-01").mean(axis=(0, 2)) - plan.dark_level_counts
    light = 30 * (scene / scene.max() if coloured else np.ones(plan.bands))
    counts = plain_copy.counts("cap-before").astype(np.float64)
    noise = np.random.default_rng(7).normal(0, 0.3, counts.shape)
    counts += (np.arange(plan.samples) < plan.samples // 2) * light[:, None] + noise
    path = plain_copy.folder / "raw" / "cap-before.raw"
    path.write_bytes(np.rint(counts).astype("<u2").tobytes())
    (plain_copy.folder / "raw" / "manifest.sha256").unlink()
    document: Any = look(plain_copy.config).to_json()
    rows = {c["check"]: c for c in document["checks"]}
    assert rows["light-leak"]["verdict"] == "fail"
    assert rows["light-leak"]["subject"] == "cap-before"
    assert rows["light-leak"]["says"] in document["says"]
    assert rows["dark-drift"]["verdict"] == "fail"
    assert "temperature" not in rows["dark-drift"]["do"]
