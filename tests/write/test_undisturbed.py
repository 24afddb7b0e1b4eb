"""An interrupt that comes while a folder is taken or cleared away waits, and nothing is left."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.ending import Terminated, ends_when_terminated
from pipeline.write import publish
from pipeline.write.undisturbed import undisturbed


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_waits_until_the_end(number: signal.Signals) -> None:
    done = []
    with (  # noqa: PT012
        ends_when_terminated(),
        pytest.raises(KeyboardInterrupt),
        undisturbed(),
    ):
        signal.raise_signal(number)
        done.append("the rest")
    assert done == ["the rest"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_another_thread_is_let_alone() -> None:
    before = signal.getsignal(signal.SIGINT)
    seen = []

    def work() -> None:
        with undisturbed():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [before]


@pytest.mark.parametrize("step", ["_claimed", "_remove"])
@pytest.mark.parametrize("again", [False, True])
def test_nothing_is_left_when_it_comes_at_a_bad_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, again: bool
) -> None:
    """SIGTERM before and after each folder is taken or cleared away, also of a replaced run."""
    real = getattr(publish, step)

    def disturbed(*given: Any) -> Any:
        signal.raise_signal(signal.SIGTERM)
        result = real(*given)
        signal.raise_signal(signal.SIGTERM)
        return result

    def written(text: str) -> None:
        with publish.staging(tmp_path) as place:
            (place / "run.json").write_text(text)
            publish.write_checksums(place, {})
            publish.publish(place, tmp_path / "0123456789ab", replace=again)

    if again:
        written("old")
    monkeypatch.setattr(publish, step, disturbed)
    with ends_when_terminated(), pytest.raises(Terminated):
        written("new")
    names = [p.name for p in tmp_path.iterdir()]
    assert [n for n in names if n.startswith(".")] == []
    assert set(names) <= {"0123456789ab"}
    if again:
        assert names == ["0123456789ab"]
