"""Where the runs of a flight lie, and what each is called."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from pipeline.calibrate.digest_memory import DigestMemory
from pipeline.calibrate.input_manifest import InputManifest
from pipeline.config.flight import Config
from pipeline.flight.finished_runs import ID_LENGTH
from pipeline.version import __version__

_KEPT = ".kept"


def flight_folder(config: Config) -> Path:
    """Folder of all runs of the flight."""
    return config.output.folder / config.flight.name


def kept_folder(config: Config) -> Path:
    """Folder beside the runs for what one run leaves to the next."""
    return flight_folder(config) / _KEPT


def digest_memory(config: Config) -> DigestMemory:
    """The flight's memory of its raw files' digests."""
    return DigestMemory(kept_folder(config) / "digests.json")


def run_id(config: Config, inputs: InputManifest) -> str:
    """Id of the work: config, inputs by content, and software version decide it, nothing else.

    A cube that is refused by its header is known before the work; one that was refused while it
    was read has no digest, which tells this work from a later, whole one.
    """
    work = {
        "config": config.work,
        "inputs": {file.name: file.sha256 for file in inputs if file.sha256},
        "refused": sorted(inputs.refused),
        "version": __version__,
    }
    text = json.dumps(work, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:ID_LENGTH]
