"""Boards with next to nothing: what still works, and what the others are told."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

import pytest

from tests.integration.commands import Done, Workplace, explained
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_bench.small_system import PYTHON, small_system
from tests.virtual_board.fixtures import Boot

pytestmark = pytest.mark.virtual_board
COUNT = 20
NAMED = f'python = "{PYTHON}"'


@pytest.fixture
def bench(_booted: Boot, place: Workplace) -> Iterator[VirtualBench]:
    """A 32-bit ARM board; each test puts a smaller one inside it."""
    bench = VirtualBench(_booted("armhf", True), place)
    yield bench
    bench.no_agent_left()
    assert bench.output_level() == "0"


@contextlib.contextmanager
def small(bench: VirtualBench, folder: Path, board: str = NAMED, **changes: Any) -> Iterator[None]:
    """The bench file leads to a small system."""
    with small_system(bench.board, folder, **changes) as config:
        bench.write(board=board, count=COUNT, ssh_config=config)
        yield


def measured(bench: VirtualBench) -> None:
    """Wires proved, and every stimulus answered."""
    done = bench.run("measure", "--json", "--out", "run")
    assert done.code == 0, done.err
    assert (done.document["stimuli"], done.document["responses"]) == (COUNT, COUNT)


def deployed(bench: VirtualBench) -> dict[str, Any]:
    done = bench.run("deploy", "--json")
    assert done.code == 0, done.err
    return done.document


def test_dropbear_busybox_a_read_only_root_and_a_megabyte_of_tmp_will_do(bench: VirtualBench, tmp_path: Path) -> None:
    with small(bench, tmp_path):
        said = deployed(bench)
        assert said["path"].startswith("/tmp/edgereply-1000/")
        assert said["python"] == PYTHON
        assert [reason.partition(": ")[0] for reason in said["passed_over"]] == [
            str(PurePosixPath("/home") / "bench" / ".cache" / "edgereply"),
            "/var/tmp/edgereply-1000",
        ]
        assert "Read-only file system" in said["passed_over"][0]
        assert deployed(bench)["copied"] is False
        measured(bench)


@pytest.mark.parametrize(
    ("changes", "board", "words"),
    [
        ({"tmp": "64k"}, NAMED, ("no directory on the board", "No space left on device", "make room in /tmp")),
        ({}, "", ("no Python 3.9 or later on its PATH", "name it in the bench file")),
        ({"python": "none"}, NAMED, (f"{PYTHON} is not there", "leave it out")),
        ({"python": "none"}, "", ("no Python 3.9 or later on its PATH", "install python3")),
    ],
    ids=["64 kB of tmp", "Python off the PATH", "no Python where it was said to be", "no Python"],
)
def test_what_cannot_be_had_is_said(
    bench: VirtualBench, tmp_path: Path, changes: dict[str, str], board: str, words: tuple[str, ...]
) -> None:
    with small(bench, tmp_path, board, **changes):
        explained(bench.run("deploy"), 3, *words)


def test_a_user_outside_the_group_is_told_which_group(bench: VirtualBench, tmp_path: Path) -> None:
    with small(bench, tmp_path, groups="none"):
        done = bench.run("inspect")
        assert done.code == 0, done.err
        assert "cannot be read: no permission to open /dev/gpiochip" in done.out
        explained(bench.run("measure", "--out", "run"), 3, "no permission to open /dev/gpiochip")


@contextlib.contextmanager
def prepared(bench: VirtualBench, do: str, undo: str) -> Iterator[None]:
    bench.board.run(do, 120, root=True)
    try:
        yield
    finally:
        bench.board.run(undo, 60, root=True)


def test_a_clock_in_1970_does_no_harm(bench: VirtualBench, tmp_path: Path) -> None:
    now = bench.board.run("date +%s", 30).strip()
    with prepared(bench, "date -s @1000", f"date -s @{now}"), small(bench, tmp_path):
        assert deployed(bench)["copied"] is True
        measured(bench)


FREE_KB = 16 << 10
FILL = (
    "mkdir -p /run/fill && mount -t tmpfs -o size=1g fill /run/fill && "
    f"left=$(sed -n 's/^MemAvailable: *\\([0-9]*\\) kB/\\1/p' /proc/meminfo) && "
    f"fallocate -l $((left - {FREE_KB}))KiB /run/fill/fill"
)


def test_sixteen_megabytes_of_free_memory_are_enough(bench: VirtualBench, tmp_path: Path) -> None:
    with small(bench, tmp_path):
        deployed(bench)
        with prepared(bench, FILL, "umount /run/fill"):
            done: Done = bench.run("measure", "--json", "--no-wiring", "--out", "run")
    assert done.code == 0, done.err
    assert (done.document["stimuli"], done.document["responses"]) == (COUNT, COUNT)
    free_mb = bench.reader().record.environment_before["memory_kb"]["MemAvailable"] / 1024
    assert free_mb < FREE_KB / 1024
