import copy
import tomllib
from typing import Any

import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.storage.bench_from_record import bench_of_run, bench_of_series
from edgereply.storage.run_record import SourceRecord
from tests.fakes.told_runs import BENCH, record

WIRED: dict[str, Any] = {
    "title": 'A "quoted" title \\ with = signs',
    "deadline": "1.5ms",
    "board": {
        "gate": {
            "host": "user@secret.example", "ssh_config": "/srv/someone/config", "input": "gpiochip0:17",
            "output": {"line": "REJECT", "active_low": True}, "wait": "spin", "hold": "20us",
            "realtime": {"fifo_priority": 80, "cpus": [3]},
        }
    },
    "source": {"kind": "reference", "port": "/dev/ttySECRET"},
    "stimulus": {"pattern": "periodic", "rate": "333/s", "floor": "10us", "width": "40us", "dwell": "2min", "seed": 7},
}  # fmt: skip


@pytest.mark.parametrize("bench", [BENCH, WIRED], ids=["virtual", "wired"])
def test_the_bench_file_asks_for_what_was_asked_for(bench: dict[str, Any]) -> None:
    asked = parse_bench(copy.deepcopy(bench), "bench")
    text = bench_of_run(record(asked.board["gate"].wait, bench, source=SourceRecord(kind=asked.source.kind)))
    again = parse_bench(tomllib.loads(text), "again")
    assert again.stimulus == asked.stimulus
    assert (again.title, again.deadline, again.source.kind) == (asked.title, asked.deadline, asked.source.kind)
    hidden = {"host": again.board["gate"].host, "ssh_config": ""}
    assert again.board["gate"] == asked.board["gate"].model_copy(update=hidden)


def test_times_are_written_as_people_write_them() -> None:
    text = bench_of_run(record("spin", WIRED, source=SourceRecord(kind="reference")))
    for line in ('hold = "20us"', 'floor = "10us"', 'width = "40us"', 'dwell = "120s"'):
        assert line in text
    assert '000ns"' not in text


def test_names_of_hosts_and_ports_are_not_passed_on() -> None:
    run = bench_of_run(record("spin", WIRED, source=SourceRecord(kind="reference")))
    series = bench_of_series(WIRED, {"repeats": 3, "axes": {"wait": ["spin"], "cpus": []}})
    for text in (run, series):
        assert "ecret" not in text.lower()
        assert "someone" not in text
        assert 'host = "HOST"' in text
        assert 'port = "SERIAL-PORT"' in text
        assert "HOST, SERIAL-PORT" in text.splitlines()[0]
    assert 'wait = [\n    "spin",\n]' in series
    assert "cpus = []" not in series


def test_a_record_that_does_not_say_enough_gives_no_bench() -> None:
    assert bench_of_run(record().model_copy(update={"requested": {}})) == ""
    assert bench_of_series({}, {}) == ""
