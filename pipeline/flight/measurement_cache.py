"""What one run leaves to the next: measured darks, elements and panels, by what they depend on.

A kept measurement is a NumPy archive with a JSON skeleton, so that reading one runs no code.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import tempfile
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.calibrate.detector import Detector
from pipeline.calibrate.measure import Measured
from pipeline.calibrate.scene_sample import SceneSample
from pipeline.config.flight import Config
from pipeline.radiometry.noise import PhotonTransfer
from pipeline.records import BadElements, DarkCapture, FlatField, PanelReading
from pipeline.version import __version__

_CLASSES: dict[str, Any] = {
    c.__name__: c
    for c in (
        Measured, Detector, DarkCapture, BadElements, FlatField, PanelReading, SceneSample,
        PhotonTransfer,
    )
}  # fmt: skip
_SKELETON = "skeleton"


def measurement_key(config: Config, digests: Mapping[str, str]) -> str:
    """Key of a measurement: the captures' content and every setting that it depends on.

    Certificates are left out where no panel is searched for, so that new panel values find the
    old measurement.
    """
    work = json.loads(config.work)
    searched = any(panel.where == ("search",) for panel in config.panel)
    certificates = {str(panel.certificate.name) for panel in config.panel}
    depends = {
        "version": __version__,
        "sensor": work["sensor"],
        "flight": work["flight"],
        "panels": [[p["name"], p["where"]] for p in work["panel"]],
        "inputs": {
            name: sha256
            for name, sha256 in sorted(digests.items())
            if searched or name.rsplit("/", 1)[-1] not in certificates
        },
    }
    text = json.dumps(depends, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def save(folder: Path, key: str, measured: Measured) -> None:
    """Keep a measurement, alone: it replaces those before. Failing to keep it is no loss."""
    arrays: dict[str, np.ndarray[Any, Any]] = {}
    skeleton = json.dumps(_taken_apart(measured, arrays))
    arrays[_SKELETON] = np.frombuffer(skeleton.encode(), np.uint8)
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        descriptor, beside = tempfile.mkstemp(dir=folder, prefix=".measured-")
        try:
            with os.fdopen(descriptor, "wb") as file:
                np.savez(file, allow_pickle=False, **arrays)
                file.flush()
                os.fsync(file.fileno())
            Path(beside).replace(folder / f"measured-{key}.npz")
        except OSError:
            Path(beside).unlink(missing_ok=True)
            raise
        for old in folder.glob("measured-*.npz"):
            if old.name != f"measured-{key}.npz":
                old.unlink(missing_ok=True)


def load(folder: Path, key: str) -> Measured | None:
    """The measurement of this key; None where there is none that can be read."""
    try:
        with (
            (folder / f"measured-{key}.npz").open("rb") as file,
            np.load(file, allow_pickle=False) as archive,
        ):
            skeleton = json.loads(bytes(archive[_SKELETON]))
            measured = _put_together(skeleton, archive)
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile, EOFError):
        return None
    return measured if isinstance(measured, Measured) else None


def _taken_apart(value: Any, arrays: dict[str, np.ndarray[Any, Any]]) -> Any:
    """JSON for a value, its arrays put aside under numbers."""
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if dataclasses.is_dataclass(value):
        parts = {
            f.name: _taken_apart(getattr(value, f.name), arrays) for f in dataclasses.fields(value)
        }
        return {"record": type(value).__name__, "fields": parts}
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        parts = {n: _taken_apart(v, arrays) for n, v in value._asdict().items()}
        return {"record": type(value).__name__, "fields": parts}
    if isinstance(value, Mapping):
        return {"mapping": {n: _taken_apart(v, arrays) for n, v in value.items()}}
    if isinstance(value, tuple | list):
        return {"row": [_taken_apart(v, arrays) for v in value]}
    if isinstance(value, np.generic):
        return value.item()
    return value


def _put_together(part: Any, archive: Any) -> Any:
    match part:
        case {"array": name}:
            return archive[name]
        case {"record": name, "fields": fields}:
            made = {n: _put_together(v, archive) for n, v in fields.items()}
            return _CLASSES[name](**made)
        case {"mapping": mapping}:
            return {n: _put_together(v, archive) for n, v in mapping.items()}
        case {"row": row}:
            return tuple(_put_together(v, archive) for v in row)
        case _:
            return part
