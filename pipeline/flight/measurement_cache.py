"""What one run leaves to the next: measured darks, elements and panels, by what they depend on.

A kept measurement is a digest and then a NumPy archive with a JSON skeleton, so that reading one
runs no code.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.calibrate.detector import Detector
from pipeline.calibrate.input_manifest import InputFile
from pipeline.calibrate.measure import Measured
from pipeline.calibrate.scene_sample import SceneSample
from pipeline.config.flight import Config
from pipeline.config.panel import Window
from pipeline.radiometry.noise import PhotonTransfer
from pipeline.radiometry.recorder import Pile
from pipeline.radiometry.response import SwathShape
from pipeline.records import BadElements, DarkCapture, FlatField, PanelReading
from pipeline.version import __version__
from pipeline.write.small_file import write_bytes

_CLASSES: dict[str, Any] = {
    c.__name__: c
    for c in (
        Measured, Detector, DarkCapture, BadElements, FlatField, PanelReading, SceneSample,
        PhotonTransfer, Pile, SwathShape,
    )
}  # fmt: skip
_SKELETON = "skeleton"
_SEAL_BYTES = hashlib.sha256().digest_size

#: Sections of the config that are asked after the measurement alone. What is not named here, new
#: keys among it, is taken to matter.
_LATER = ("quality", "output", "limits")
_LATER_IN_CALIBRATION = ("illumination", "certificates_correlated", "offset_uncertainty")


def measurement_key(config: Config, inputs: Iterable[InputFile]) -> str:
    """Key of a measurement: the inputs' content and every setting that it may depend on.

    Where every panel is given by a window the certificates are left out, so that new panel values
    find the old measurement; a panel that is found on the image is found by its certificate.
    """
    work = json.loads(config.work)
    found = any(not isinstance(place, Window) for panel in config.panel for place in panel.where)
    for section in _LATER:
        del work[section]
    for key in _LATER_IN_CALIBRATION:
        del work["calibration"][key]
    if not found:
        work["panel"] = [{key: row[key] for key in ("name", "where")} for row in work["panel"]]
    depends = {
        "version": __version__,
        "config": work,
        "inputs": {f.name: f.sha256 for f in inputs if found or f.role != "certificate"},
    }
    text = json.dumps(depends, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def save(folder: Path, key: str, measured: Measured) -> None:
    """Keep a measurement, alone: it replaces those before. Failing to keep it is no loss."""
    arrays: dict[str, np.ndarray[Any, Any]] = {}
    skeleton = json.dumps(_taken_apart(measured, arrays))
    arrays[_SKELETON] = np.frombuffer(skeleton.encode(), np.uint8)
    archive = io.BytesIO()
    np.savez(archive, allow_pickle=False, **arrays)
    content = archive.getvalue()
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        write_bytes(folder / _name(key), _seal(key, content) + content)
        for old in folder.glob(_name("*")):
            if old.name != _name(key):
                old.unlink(missing_ok=True)


def load(folder: Path, key: str) -> Measured | None:
    """The measurement of this key; None where there is none, or not as it was saved."""
    try:
        kept = (folder / _name(key)).read_bytes()
    except OSError:
        return None
    content = kept[_SEAL_BYTES:]
    if kept[:_SEAL_BYTES] != _seal(key, content):
        return None
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as archive:
            measured = _put_together(json.loads(bytes(archive[_SKELETON])), archive)
    except Exception:  # whatever a reader of archives can raise: then it is measured anew
        return None
    return measured if isinstance(measured, Measured) else None


def _name(key: str) -> str:
    return f"measured-{key}.npz"


def _seal(key: str, content: bytes) -> bytes:
    """SHA-256 over key and content: a bit that flips on the disk must not become a result."""
    digest = hashlib.sha256(key.encode())
    digest.update(content)
    return digest.digest()


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
