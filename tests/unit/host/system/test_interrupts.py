"""Held-back interrupts: nothing is cut in half, and none is lost."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply.system.interrupts import interrupts_deferred
from tests.fakes.made_runs import a_record


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_takes_effect_at_the_end(number: signal.Signals) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(number, interrupt)
    done = []

    def work() -> None:
        with interrupts_deferred():
            signal.raise_signal(number)
            signal.raise_signal(number)
            done.append("the rest")

    try:
        with pytest.raises(KeyboardInterrupt):
            work()
        assert signal.getsignal(number) is interrupt
    finally:
        signal.signal(number, before)
    assert done == ["the rest"]


def test_what_is_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with interrupts_deferred():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_other_threads_may_use_it() -> None:
    said: list[str] = []

    def work() -> None:
        with interrupts_deferred():
            said.append("done")

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(10.0)
    assert said == ["done"]


@pytest.mark.parametrize("moment", ["before", "after"])
def test_an_interrupted_commit_writes_every_row_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    """The signal comes around the writing of a file, when the rows are in it but still in the writer, too."""
    writer = RunWriter(tmp_path / "run", a_record())
    writer.add_source(np.tile(np.array([1, 2, 3], np.uint8), 40), np.arange(120, dtype=np.int64) * 1_000_000)
    write_part = writer._write_part

    def interrupted(*folder: Any) -> None:
        if moment == "before":
            signal.raise_signal(signal.SIGINT)
        write_part(*folder)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(writer, "_write_part", interrupted)
    with pytest.raises(KeyboardInterrupt):
        writer.commit()
    monkeypatch.setattr(writer, "_write_part", write_part)
    writer.finish("complete", "")
    reader = RunReader(tmp_path / "run")
    assert reader.record.state == "complete"
    assert len(reader.source().edges()[0]) == 40
