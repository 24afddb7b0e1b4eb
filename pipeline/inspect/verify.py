"""Whether a finished run is still what it was when it was published, and so are its inputs."""

from __future__ import annotations

import errno
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from pipeline.errors import InputError
from pipeline.foreign import one_line
from pipeline.inspect.finding import Finding
from pipeline.inspect.finished_run import cube_paths
from pipeline.inspect.verify_cubes import check_cube
from pipeline.inspect.verify_inputs import check_inputs
from pipeline.write.checksums import CHECKSUMS, parse_line, read_lines, sha256_of
from pipeline.write.publish import files_below
from pipeline.write.run_record import RUN_JSON, RunRecord, read_run


def exit_code(findings: Sequence[Finding]) -> int:
    """0 where all is as it was, 1 where something differs."""
    return 0 if all(finding.ok for finding in findings) else 1


def verify(run: Path, *, inputs: bool = True, folders: Sequence[Path] = ()) -> list[Finding]:
    """Check a run against its checksums, its own records, and the inputs it was made from.

    Parameters
    ----------
    run : folder of a finished run
    inputs : read every input again for its digest; else only its presence and size are checked
    folders : more folders that inputs may lie in, or that their names are relative to, beside the
        one that the run's place and its config imply; inputs elsewhere are not looked at

    Raises
    ------
    InputError
        The folder is no finished run at all.
    """
    run = Path(run).absolute()
    if not (run / RUN_JSON).exists() and not (run / CHECKSUMS).exists():
        raise InputError(
            "not a finished run", where=run, do=f"Name the folder that holds {RUN_JSON}"
        )
    record, found = None, []
    try:
        record = read_run(run)
    except InputError as error:
        found.append(Finding(RUN_JSON, error.what, False))
    found += _checksums(run, {o.name: o.sha256 for o in record.outputs} if record else {})
    found += _config(run, record)
    for path in cube_paths(run):
        found += check_cube(path, run.name, record)
    if record is not None:
        found.append(_identity(run, record))
        found += _missing_cubes(run, record)
        found += check_inputs(run, record, digests=inputs, folders=folders)
    return found


def _checksums(run: Path, witness: Mapping[str, str]) -> Iterator[Finding]:
    """Each file against its line, and against the digest that the record holds."""
    listed: dict[str, str] = {}
    try:
        _require_file(run / CHECKSUMS)
        lines = read_lines(run / CHECKSUMS)
    except OSError as error:
        yield Finding(CHECKSUMS, f"cannot be read: {one_line(error)}", False)
        lines = []
    for number, line in enumerate(lines, start=1):
        row = parse_line(line)
        if row is None:
            yield Finding(CHECKSUMS, f"line {number} is not a digest, two blanks and a name", False)
        else:
            listed[row[0]] = row[1]
    there = {p.relative_to(run).as_posix(): p for p in files_below(run)}
    for name, expected in listed.items():
        shown = one_line(name)
        if name not in there:
            yield Finding(shown, f"missing, but listed in {CHECKSUMS}", False)
            continue
        try:
            actual = sha256_of(there[name])
        except OSError as error:
            yield Finding(shown, f"cannot be read: {error.strerror}", False)
            continue
        if actual == expected:
            yield Finding(shown, "its checksum is as listed", True)
        elif witness.get(name) == actual:
            yield Finding(CHECKSUMS, f"its line for {shown} was changed; the file was not", False)
        else:
            yield Finding(shown, f"changed: its checksum differs from {CHECKSUMS}", False)
    for name in sorted(there.keys() - listed.keys()):
        yield Finding(one_line(name), f"extra: not listed in {CHECKSUMS}", False)


def _require_file(path: Path) -> None:
    """OSError where there is none; reading a pipe would never end."""
    if not path.is_file():
        raise FileNotFoundError(errno.ENOENT, "no such file")


def _config(run: Path, record: RunRecord | None) -> Iterator[Finding]:
    try:
        _require_file(run / "config.toml")
        actual = sha256_of(run / "config.toml")
    except OSError as error:
        yield Finding("config.toml", f"cannot be read: {error.strerror}", False)
        return
    if record is not None:
        same = actual == record.config_sha256
        what = f"its digest {'equals' if same else 'differs from'} config_sha256 in {RUN_JSON}"
        yield Finding("config.toml", what, same)


def _identity(run: Path, record: RunRecord) -> Finding:
    same = record.run_id == run.name
    what = f"run_id {record.run_id!r}; the folder is named {run.name!r}"
    return Finding(RUN_JSON, "run_id is the folder's name" if same else one_line(what), same)


def _missing_cubes(run: Path, record: RunRecord) -> Iterator[Finding]:
    for row in record.written:
        if not (run / row.file).exists():
            yield Finding(one_line(row.file), f"missing, but {RUN_JSON} says it was written", False)
