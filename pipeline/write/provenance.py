"""Where a result comes from: W3C PROV-JSON for run.json, CF/ACDD attributes for the cubes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.version import PREFIX, __version__
from pipeline.write.attributes import CONVENTIONS, STANDARD_NAMES, iso_time
from pipeline.write.checksums import escaped
from pipeline.write.schema import Attributes


@dataclass(frozen=True)
class Input:
    """An input file by name, size and content."""

    name: str
    bytes: int
    sha256: str
    role: str  # cube, dark, flat, certificate, ...


@dataclass(frozen=True)
class Output:
    """A file of a run by name below its folder, size and content."""

    name: str
    bytes: int
    sha256: str


def prov_json(
    *,
    run_id: str,
    follows: str | None,
    software: str,
    started: str,
    ended: str,
    inputs: Sequence[Input],
    outputs: Sequence[Output],
    config_sha256: str,
    steps: Sequence[Mapping[str, object]],
) -> dict[str, object]:
    """The members of a PROV-JSON document (W3C Member Submission, 24 April 2013).

    `steps` are the corrections in order, each with its parameters.
    """
    run = f"{PREFIX}:run/{run_id}"
    agent = f"{PREFIX}:software/{software.rpartition(' ')[2]}"
    config = f"{PREFIX}:config/{config_sha256[:16]}"
    entities: dict[str, object] = {
        config: {"prov:type": f"{PREFIX}:config", f"{PREFIX}:sha256": config_sha256}
    }
    used: dict[str, object] = {"_:used-config": {"prov:activity": run, "prov:entity": config}}
    generated: dict[str, object] = {}
    derived: dict[str, object] = {}
    cubes: dict[str, str] = {}  # a cube's stem to its entity
    for i, item in enumerate(inputs):
        name = f"{PREFIX}:input/{item.name}"
        entities[name] = {"prov:type": f"{PREFIX}:{item.role}", **_file(item)}
        used[f"_:used-{i}"] = {"prov:activity": run, "prov:entity": name}
        if item.role == "cube":
            cubes[_stem(item.name)] = name
    for i, output in enumerate(outputs):
        name = f"{PREFIX}:output/{run_id}/{output.name}"
        entities[name] = _file(output)
        generated[f"_:generated-{i}"] = {"prov:entity": name, "prov:activity": run}
        if (cube := cubes.get(_stem(output.name))) is not None:
            derived[f"_:derived-{i}"] = {
                "prov:generatedEntity": name,
                "prov:usedEntity": cube,
                "prov:activity": run,
            }
    activities: dict[str, object] = {
        run: {
            "prov:startTime": started,
            "prov:endTime": ended,
            f"{PREFIX}:steps": [dict(step) for step in steps],
        }
    }
    document: dict[str, object] = {
        "prefix": {PREFIX: "urn:reflectory:", "prov": "http://www.w3.org/ns/prov#"},
        "entity": entities,
        "activity": activities,
        "agent": {agent: {"prov:type": "prov:SoftwareAgent", "prov:label": software}},
        "used": used,
        "wasGeneratedBy": generated,
        "wasDerivedFrom": derived,
        "wasAssociatedWith": {"_:by": {"prov:activity": run, "prov:agent": agent}},
    }
    if follows is not None:
        earlier = f"{PREFIX}:run/{follows}"
        activities[earlier] = {}
        document["wasInformedBy"] = {"_:follows": {"prov:informed": run, "prov:informant": earlier}}
    return document


def _file(file: Input | Output) -> dict[str, object]:
    """What an entity says of a file."""
    return {
        "prov:label": file.name,
        f"{PREFIX}:bytes": file.bytes,
        f"{PREFIX}:sha256": file.sha256,
    }


def _stem(name: str) -> str:
    return name.rsplit("/", 1)[-1].rsplit(".", 1)[0]


def inputs_of(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The inputs that a PROV-JSON document names, as `Input` has them, none of it trusted."""
    return [
        {
            "name": name,
            "bytes": entity.get(f"{PREFIX}:bytes"),
            "sha256": entity.get(f"{PREFIX}:sha256"),
            "role": str(entity.get("prov:type")).removeprefix(f"{PREFIX}:"),
        }
        for name, entity in _entities(document, f"{PREFIX}:input/")
    ]


def outputs_of(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The outputs that a PROV-JSON document names, as `Output` has them, none of it trusted."""
    return [
        {
            "name": name,
            "bytes": entity.get(f"{PREFIX}:bytes"),
            "sha256": entity.get(f"{PREFIX}:sha256"),
        }
        for name, entity in _entities(document, f"{PREFIX}:output/{document.get('run_id')}/")
    ]


def steps_in(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The steps of the run's own activity in a PROV-JSON document, none of it trusted."""
    run = _member(document, "activity").get(f"{PREFIX}:run/{document.get('run_id')}")
    steps = run.get(f"{PREFIX}:steps") if isinstance(run, dict) else None
    if not isinstance(steps, list) or not all(isinstance(step, dict) for step in steps):
        raise ValueError("activity: the run's steps are missing")
    return steps


def _entities(document: Mapping[str, Any], start: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, entity in _member(document, "entity").items():
        if name.startswith(start):
            if not isinstance(entity, dict):
                raise ValueError(f"entity.{name}: not a JSON object")
            yield name.removeprefix(start), entity


def _member(document: Mapping[str, Any], name: str) -> dict[str, Any]:
    member = document.get(name)
    if not isinstance(member, dict):
        raise ValueError(f"{name}: missing")
    return member


def software() -> str:
    """Name and version of the program."""
    return f"reflectory {__version__}"


@dataclass(frozen=True)
class Extents:
    """What a track says of where a cube lies; degrees, metres."""

    latitude: tuple[float, float]
    longitude: tuple[float, float]
    accuracy: str


def cube_attributes(
    *,
    flight: str,
    cube: str,
    started: str,
    config_text: str,
    config_sha256: str,
    steps: Sequence[str],
    blank: Sequence[str],
    times_s: tuple[float, float] | None,
    extents: Extents | None,
    more: Mapping[str, str],
) -> Attributes:
    """Global attributes of a cube that are known before it is calibrated.

    What is known only afterwards (`run_id`, `inputs`, `follows`) is added by `late_attributes`.
    """
    attributes: Attributes = {
        "Conventions": CONVENTIONS,
        "standard_name_vocabulary": STANDARD_NAMES,
        "title": f"Reflectance of {cube}, flight {flight}",
        "summary": "Hemispherical-conical reflectance factor from line-scan hyperspectral raw "
        "counts: dark signal subtracted, empirical line against reference panels.",
        "keywords": "reflectance, hyperspectral, line scan, empirical line",
        "source": "line-scan hyperspectral camera carried by a drone",
        "processing_level": "reflectance factor by empirical line",
        "cdm_data_type": "Swath",
        "date_created": started,
        "history": f"{started} {software()}: {'; '.join(steps)}",
        "product_version": software(),
        "flight": flight,
        "cube": cube,
        "blank_flags": " ".join(blank),
        "config": config_text,
        "config_sha256": config_sha256,
    }
    if times_s is not None:
        attributes["time_coverage_start"] = iso_time(times_s[0])
        attributes["time_coverage_end"] = iso_time(times_s[1])
        attributes["time_coverage_duration"] = f"PT{max(times_s[1] - times_s[0], 0):.3f}S"
    if extents is not None:
        attributes |= {
            "geospatial_lat_min": extents.latitude[0],
            "geospatial_lat_max": extents.latitude[1],
            "geospatial_lat_units": "degrees_north",
            "geospatial_lon_min": extents.longitude[0],
            "geospatial_lon_max": extents.longitude[1],
            "geospatial_lon_units": "degrees_east",
            "position_accuracy": extents.accuracy,
        }
    return attributes | dict(more)


def late_attributes(run_id: str, follows: str | None, inputs: Sequence[Input]) -> Attributes:
    """Global attributes that are known once every input was read."""
    # As in a list of checksums: a line is an input, whatever its name.
    listed = "\n".join(f"{i.sha256}  {i.bytes}  {i.role}  {escaped(i.name)}" for i in inputs)
    return {
        "id": run_id,
        "naming_authority": PREFIX,
        "run_id": run_id,
        "follows": follows or "none",
        "inputs": listed,
    }
