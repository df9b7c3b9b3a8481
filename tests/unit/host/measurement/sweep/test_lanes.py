"""Which boards may be measured at the same time."""

from pathlib import Path
from typing import Any

import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.errors import SettingError
from edgereply.measurement.sweep.lanes import lanes


def board(port: str = "", **settings: Any) -> dict[str, Any]:
    """A board over ssh on a host named as it is, with a source of its own where a port is given."""
    lines = {"input": "IN", "output": "OUT", "stimulus_line": "S", "capture_line": "C"}
    own = {"source": {"kind": "reference", "port": port}} if port else {}
    return lines | own | settings


def grouped(source: dict[str, Any] | None = None, **boards: dict[str, Any]) -> list[list[str]]:
    bench = parse_bench(
        {"board": boards, "source": source or {"kind": "reference", "port": "/dev/shared"}}, "bench.toml"
    )
    return lanes(dict.fromkeys(boards, bench))


def test_boards_on_the_bench_s_source_take_turns() -> None:
    assert grouped(a=board(host="a"), b=board(host="b")) == [["a", "b"]]


def test_boards_with_sources_of_their_own_do_not_wait_for_each_other() -> None:
    assert grouped(a=board("/dev/x", host="a"), b=board("/dev/y", host="b")) == [["a"], ["b"]]
    same_name = board("/dev/x", host="h", ssh_config="one"), board("/dev/y", host="h", ssh_config="two")
    assert grouped(a=same_name[0], b=same_name[1]) == [["a"], ["b"]]


def test_one_computer_is_not_measured_twice_at_once() -> None:
    assert grouped(a=board("/dev/x", host="h"), b=board("/dev/y", host="h")) == [["a", "b"]]
    local = board(link="local", route="virtual", source={"kind": "virtual"})
    assert grouped(a=local, b=local) == [["a", "b"]]


def test_two_names_of_one_port_are_one_source(tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyX")
    one, other = board(str(tmp_path / "by-id"), host="a"), board(str(tmp_path / "ttyX"), host="b")
    assert grouped(a=one, b=other) == [["a", "b"]]


def test_sharing_joins_what_it_links() -> None:
    boards = {"a": board("/dev/x", host="a"), "b": board("/dev/y", host="b"), "c": board("/dev/y", host="a"),
              "d": board("/dev/z", responder="external")}  # fmt: skip
    assert grouped(**boards) == [["a", "b", "c"], ["d"]]


def test_boards_that_drive_themselves_or_each_other() -> None:
    assert grouped({"kind": "self"}, a=board(host="a"), b=board(host="b")) == [["a"], ["b"]]
    assert grouped({"kind": "self"}, a=board(responder="external", host="h"), b=board(host="h")) == [["a", "b"]]
    helper = {"kind": "board", "board": "b"}
    assert grouped(a=board(host="a", source=helper), b=board("/dev/y", host="b")) == [["a", "b"]]


def test_a_wrong_source_of_a_board_is_named() -> None:
    with pytest.raises(SettingError, match=r"board\.a\.source.*needs 'port'"):
        grouped(a=board(host="a", source={"kind": "reference"}))
