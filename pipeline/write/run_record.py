"""The record of a run. `run.json` is its serialisation, and is read back through it alone.

What is read may come from anywhere: it is taken as it must be, or refused in one sentence.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal, NoReturn

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError

from pipeline.errors import InputError
from pipeline.radiometry.checks.verdict import RunVerdict
from pipeline.records import Check
from pipeline.write.checksums import is_inside
from pipeline.write.field_types import LARGEST, Count, Moment, Sha256
from pipeline.write.provenance import Input, Output, inputs_of, outputs_of, prov_json, steps_in
from pipeline.write.quantities import Quantities

RUN_JSON = "run.json"
#: Bytes of a record at the most; that of a hundred cubes with a thousand bands has a few millions.
MOST_BYTES = 64 * 2**20
#: How deep its values may be nested; ours are four deep.
MOST_NESTED = 32


def _beside(text: str) -> str:
    """The name of a file in the run's folder itself."""
    if text != PurePosixPath(text).name or not is_inside(text):
        raise ValueError("must be the name of a file in the run's folder")
    return text


def _inside(output: Output) -> Output:
    if not is_inside(output.name):
        raise ValueError("must be a file in the run's folder")
    return output


Seconds = Annotated[float, Field(ge=0)]
RunId = Annotated[str, Field(pattern=r"^[0-9a-f]{1,64}$")]
FileName = Annotated[str, AfterValidator(_beside)]
Spectrum = tuple[float | None, ...]  # (band,); None where there is no value
Outcome = Literal["whole", "partial"]


@dataclass(frozen=True, kw_only=True)
class WrittenCube:
    """A calibrated cube; shares are of all samples in all bands [1]."""

    cube: str
    outcome: Literal["written"] = "written"
    file: FileName
    lines: Count
    bands: Count
    samples: Count
    seconds: Seconds
    saturated_share: float | None
    low_signal_share: float | None
    outside_panel_range_share: float | None
    negative_share: float | None


@dataclass(frozen=True, kw_only=True)
class LookedAtCube:
    """A cube of which `check` read a thin part."""

    cube: str
    outcome: Literal["looked at"] = "looked at"


@dataclass(frozen=True, kw_only=True)
class RefusedCube:
    """A cube that cannot be calibrated."""

    cube: str
    outcome: Literal["refused"] = "refused"
    why: str


CubeRow = Annotated[WrittenCube | LookedAtCube | RefusedCube, Field(discriminator="outcome")]


@dataclass(frozen=True, kw_only=True)
class PassRow:
    """One reading of a panel; half-open windows of lines and samples."""

    cube: str
    lines: tuple[int, int]
    samples: tuple[int, int]
    how: str
    pixels: Count
    peak_counts: float | None
    uniformity: float | None


@dataclass(frozen=True, kw_only=True)
class PanelRow:
    """A panel: where it was read, and its spectra over all bands of the camera."""

    panel: str
    use: Literal["fit", "check"]
    passes: tuple[PassRow, ...]
    signal: Spectrum  # [count]
    signal_uncertainty: Spectrum
    certified: Spectrum  # [1]
    certified_uncertainty: Spectrum
    predicted: Spectrum  # [1]
    predicted_uncertainty: Spectrum

    def __post_init__(self) -> None:
        pairs = (
            (self.signal, self.signal_uncertainty),
            (self.certified, self.certified_uncertainty),
            (self.predicted, self.predicted_uncertainty),
        )
        if len({len(spectrum) for pair in pairs for spectrum in pair}) > 1:
            raise ValueError("its spectra have unlike numbers of bands")


@dataclass(frozen=True)
class Step:
    """A correction, in order, with the parameters it took."""

    step: str
    says: str
    parameters: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class RunRecord:
    """What `run.json` holds; what `check` says of a flight is the same without a run."""

    run_id: RunId | None  # None for a check
    flight: str
    software: str
    started: Moment
    ended: Moment
    follows: RunId | None = None
    outcome: Outcome
    verdict: RunVerdict
    says: str
    looked_at: str | None = None  # what a check read
    cubes: tuple[CubeRow, ...]
    panels: tuple[PanelRow, ...]
    checks: tuple[Check, ...]
    quantities: Quantities | None = None  # None in records of versions that did not keep them
    timings: Mapping[str, Seconds]  # by stage
    config: Mapping[str, Any]  # as JSON has it
    config_sha256: Sha256
    inputs: tuple[Input, ...] = ()
    outputs: tuple[Annotated[Output, AfterValidator(_inside)], ...] = ()
    steps: tuple[Step, ...] = ()

    @property
    def written(self) -> tuple[WrittenCube, ...]:
        """The calibrated cubes."""
        return tuple(row for row in self.cubes if isinstance(row, WrittenCube))

    @property
    def refused(self) -> tuple[RefusedCube, ...]:
        """The cubes that were left out."""
        return tuple(row for row in self.cubes if isinstance(row, RefusedCube))

    @property
    def exit_code(self) -> int:
        """0 done, 1 done in part or unusable."""
        return 0 if self.outcome == "whole" and self.verdict != "unusable" else 1

    def to_json(self) -> dict[str, Any]:
        """As `run.json` has it: strings, numbers, lists and dicts alone."""
        own = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        inputs, outputs, steps = (own.pop(name) for name in ("inputs", "outputs", "steps"))
        document = {name: _plain(value) for name, value in own.items()}
        document["checks"] = [_plain(check.as_dict()) for check in self.checks]
        for name in ("looked_at", "quantities"):
            if document[name] is None:
                del document[name]
        if self.run_id is not None:
            document |= prov_json(
                run_id=self.run_id,
                follows=self.follows,
                software=self.software,
                started=self.started,
                ended=self.ended,
                inputs=inputs,
                outputs=outputs,
                config_sha256=self.config_sha256,
                steps=[{"step": s.step, "says": s.says, **_plain(s.parameters)} for s in steps],
            )
        return document

    def to_text(self) -> str:
        """The content of `run.json`."""
        return json.dumps(self.to_json(), indent=1, allow_nan=False) + "\n"


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(name): _plain(part) for name, part in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(part) for part in value]
    return value


def read_run(folder: Path) -> RunRecord:
    """The record of a finished run.

    Raises
    ------
    InputError
        The folder has no `run.json`, or it is not as this program writes it.
    """
    path = folder / RUN_JSON
    try:
        if not path.is_file():
            raise InputError(
                f"not a finished run: no {RUN_JSON}", where=folder, do="Name a run's folder"
            )
        with path.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"not a finished run: {RUN_JSON}: {error.strerror}",
            where=folder,
            do="Name a run's folder",
        ) from None
    record = from_json(text, path)
    if record.run_id is None:
        raise _damaged(path, "run_id: missing")
    return record


def from_json(text: bytes | str, where: Path) -> RunRecord:
    """The record that `to_text` wrote; anything else is refused.

    Raises
    ------
    InputError
        Naming the file and the first thing in it that cannot be.
    """
    if len(text) > MOST_BYTES:
        raise _damaged(where, f"more than {MOST_BYTES} bytes")
    try:
        document = json.loads(text, parse_constant=_not_a_number)
        _require_plain(document)
    except RecursionError:
        raise _damaged(where, "nested too deeply") from None
    except ValueError as error:
        raise _damaged(where, f"not JSON: {error}" if text else "the file is empty") from None
    if not isinstance(document, dict):
        raise _damaged(where, "not a JSON object")
    try:
        # Strict: text is no number. Keys that a later version adds are passed over.
        record = _reader().validate_json(json.dumps(document), strict=True)
        if record.run_id is None:
            return record
        document |= {
            "inputs": inputs_of(document),
            "outputs": outputs_of(document),
            "steps": [_step(step) for step in steps_in(document)],
        }
        return _reader().validate_json(json.dumps(document), strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        raise _damaged(where, f"{_place(first['loc'])}: {first['msg']}") from None
    except ValueError as error:
        raise _damaged(where, str(error)) from None


@cache
def _reader() -> TypeAdapter[RunRecord]:
    return TypeAdapter(RunRecord)


def _step(step: Mapping[str, Any]) -> dict[str, Any]:
    parameters = {name: part for name, part in step.items() if name not in ("step", "says")}
    return {"step": step.get("step"), "says": step.get("says"), "parameters": parameters}


def _not_a_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number of JSON")


def _require_plain(document: object) -> None:
    """ValueError where a number is not finite or far too large, or the nesting too deep."""
    level: list[object] = [document]
    for _ in range(MOST_NESTED):
        # Numbers first: a record is a hundred thousand of them and little else.
        deeper: list[object] = []
        for value in level:
            if isinstance(value, float):
                if not math.isfinite(value):
                    raise ValueError("a number too large")
            elif isinstance(value, int):
                if abs(value) > LARGEST:
                    raise ValueError("a number of more than 19 digits")
            elif isinstance(value, dict):
                deeper.extend(value.values())
            elif isinstance(value, list):
                deeper.extend(value)
        if not deeper:
            return
        level = deeper
    raise ValueError("nested too deeply")


def _place(location: tuple[int | str, ...]) -> str:
    """`("cubes", 0, "written", "lines")` as `cubes[0].lines`."""
    names = [part for part in location if part not in ("written", "looked at", "refused")]
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in names)
    return text.lstrip(".")


def _damaged(where: Path, what: str) -> InputError:
    return InputError(
        f"not as a run leaves it: {what}",
        where=where,
        do="Take the run from a copy, or make it anew with `reflectory run CONFIG --again`",
    )
