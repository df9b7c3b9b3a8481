"""A short campaign, and proof that its checks can complain. The long one: `python -m tests.campaign`."""

from __future__ import annotations

import random
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from tests.campaign.faults import FAULTS, INTERRUPTED, KILLED, STOPPED, TROUBLE
from tests.campaign.injected.wire_tap import LET_GO, ROW
from tests.campaign.scene import Scene
from tests.campaign.stage import Campaign
from tests.fakes.made_runs import a_record
from tests.integration.commands import Done

SHORT = [
    "host killed", "host: SIGTERM", "responder killed", "link cut", "serial stops in a record", "disk full",
    "power failure",
]  # fmt: skip


def test_nothing_is_lost_in_a_short_campaign() -> None:
    campaign = Campaign(seed=20, kinds=SHORT)
    campaign.run(faults=len(SHORT), jobs=2)
    assert campaign.complaints == []
    struck = {kind: campaign.counts[kind, "struck"] for kind in SHORT}
    assert sum(struck.values()) == len(SHORT), struck


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    """A scene in which no command runs."""
    scene = Scene(tmp_path, sweep=False, rng=random.Random(1))
    scene.out.mkdir()
    yield scene
    scene.remove()


def a_run(scene: Scene) -> RunWriter:
    """A run of some stimuli, of which one part is committed."""
    writer = RunWriter(scene.out / "it", a_record())
    writer.add_source(np.array([1, 2, 3] * 30, np.uint8), np.arange(90) * 100_000)
    writer.commit()
    scene.note_committed()
    return writer


def test_a_lost_part_is_complained_of(scene: Scene) -> None:
    a_run(scene).finish("complete", "")
    scene.check_kept(may_be_cut_off=False)
    assert scene.complaints == []
    next(iter(scene.committed)).unlink()
    scene.check_kept(may_be_cut_off=False)
    assert "lost or changed" in scene.complaints[0]
    assert "unreadable" in scene.complaints[1]


@pytest.mark.parametrize("harm", ["fewer rows", "another stamp", "not a part"])
def test_altered_rows_are_complained_of(scene: Scene, harm: str) -> None:
    a_run(scene)
    (path,) = scene.committed
    table = pq.read_table(path)
    if harm == "not a part":
        path.write_bytes(b"")
    else:
        column = [*table["fall_ns"].to_pylist()[:-1], 7]
        altered = table.slice(1) if harm == "fewer rows" else table.set_column(2, "fall_ns", [column])
        pq.write_table(altered, path)
    scene.check_kept(may_be_cut_off=True)
    assert "lost or changed" in scene.complaints[0]


def test_a_part_that_has_grown_is_none_the_worse(scene: Scene) -> None:
    writer = a_run(scene)
    (path,) = scene.committed
    before = path.read_bytes()
    writer.add_source(np.array([1, 2, 3] * 30, np.uint8), np.arange(90, 180) * 100_000)
    writer.finish("complete", "")
    assert path.read_bytes() != before
    scene.check_kept(may_be_cut_off=False)
    assert scene.complaints == []


def test_a_run_without_a_mark_or_reason_is_complained_of(scene: Scene) -> None:
    writer = a_run(scene)
    scene.check_kept(may_be_cut_off=True)
    assert scene.complaints == []
    scene.check_kept(may_be_cut_off=False)
    assert scene.complaints == ["the run still says that it is running"]
    writer.finish("incomplete", "")
    scene.check_kept(may_be_cut_off=False)
    assert scene.complaints[1:] == ["incomplete, and no reason why"]
    assert RunReader(writer.directory).record.state == "incomplete"


@pytest.mark.parametrize(
    ("levels", "low"), [([1, 0, LET_GO], True), ([1, LET_GO], False), ([1, 0, 1], False), ([1, 0], True)]
)
def test_an_output_that_stays_high_is_complained_of(scene: Scene, levels: list[int], low: bool) -> None:
    rows = [ROW.pack(at_ns, 7, level) for at_ns, level in enumerate(levels)]
    (scene.place.root / "levels").write_bytes(b"".join(rows))
    scene.check_outputs_low()
    assert (scene.complaints == []) is low


@pytest.mark.parametrize(
    ("done", "codes", "fine"),
    [
        (Done(TROUBLE, "", "edgereply: the agent ended\n  where: gate\n  what to do: start again"), {TROUBLE}, True),
        (Done(TROUBLE, "", "the agent ended"), {TROUBLE}, False),
        (Done(TROUBLE, "", "Traceback (most recent call last)"), {TROUBLE}, False),
        (Done(INTERRUPTED, "", "interrupted"), STOPPED, True),
        (Done(INTERRUPTED, "", ""), STOPPED, False),
        (Done(-signal.SIGSEGV, "", ""), STOPPED, False),
        (Done(-signal.SIGKILL, "", ""), KILLED, True),
    ],
)
def test_a_bad_last_word_is_complained_of(scene: Scene, done: Done, codes: set[int], fine: bool) -> None:
    scene.check_end(done, frozenset(codes), host_died=codes == KILLED)
    assert (scene.complaints == []) is fine


def test_every_kind_of_fault_says_how_the_command_may_end() -> None:
    assert all(fault.codes for fault in FAULTS.values())
    assert set(SHORT) <= FAULTS.keys()
