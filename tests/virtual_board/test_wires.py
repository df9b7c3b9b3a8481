"""Lines and jumper wires, seen through the kernel's character device from the standard library."""

import json
from typing import Any

import pytest

from tests.virtual_board import DEFAULT_WIRES, SELF_WIRES, BoardError, VirtualBoard

pytestmark = pytest.mark.virtual_board
USED, OUTPUT = 1, 8


def check(board: VirtualBoard, arguments: str) -> Any:
    return json.loads(board.run(f"python3 /opt/edgereply/gpio_check.py {arguments}", 60))


def pull(board: VirtualBoard, offset: int) -> str:
    return board.run(f"cat /sys/devices/platform/gpio-sim.*/gpiochip*/sim_gpio23/../sim_gpio{offset}/pull", 30).strip()


def test_lines_have_names_directions_and_users(plain_board: VirtualBoard) -> None:
    chips = {chip["label"]: chip["lines"] for chip in check(plain_board, "list")}
    assert set(chips) == {"reject-gate", "conveyor"}
    lines = chips["reject-gate"]
    assert len(lines) == 24
    named = {line["name"]: offset for offset, line in enumerate(lines) if line["name"]}
    expected = {"SPARE_IN": 1, "TAKEN": 3, "EYE_IN": 4, "REJECT_OUT": 5, "STIM_OUT": 6, "CAPTURE_IN": 7, "SPARE_OUT": 9}
    assert named == expected
    assert lines[3]["consumer"] == "line-keeper"
    assert lines[3]["flags"] & (USED | OUTPUT) == USED | OUTPUT
    assert not lines[4]["flags"] & (USED | OUTPUT)


@pytest.mark.parametrize("kernel", ["plain", "rt"])
def test_a_wire_copies_every_edge(kernel: str, request: pytest.FixtureRequest) -> None:
    board: VirtualBoard = request.getfixturevalue(f"{kernel}_board")
    board.wire(*SELF_WIRES)
    seen = check(board, "edges STIM_OUT EYE_IN 400")
    assert seen == {"kinds": [1, 2] * 200, "levels": [1, 0] * 200, "extra": False}


def test_an_inverting_wire_copies_the_opposite(plain_board: VirtualBoard) -> None:
    plain_board.wire("!STIM_OUT->EYE_IN")
    assert check(plain_board, "edges STIM_OUT EYE_IN 6") == {
        "kinds": [2, 1] * 3,
        "levels": [0, 1] * 3,
        "extra": False,
    }


def test_cut_swapped_and_shorted_wires(plain_board: VirtualBoard) -> None:
    inputs = "EYE_IN SPARE_IN CAPTURE_IN"
    plain_board.wire("STIM_OUT->EYE_IN", "SPARE_OUT->SPARE_IN")
    assert check(plain_board, f"levels STIM_OUT {inputs}") == {
        "EYE_IN": [0, 1],
        "SPARE_IN": [0, 0],
        "CAPTURE_IN": [0, 0],
    }
    plain_board.wire("STIM_OUT->SPARE_IN", "SPARE_OUT->EYE_IN")
    assert check(plain_board, f"levels STIM_OUT {inputs}") == {
        "EYE_IN": [0, 0],
        "SPARE_IN": [0, 1],
        "CAPTURE_IN": [0, 0],
    }
    plain_board.wire("SPARE_IN=CAPTURE_IN", "STIM_OUT->EYE_IN", "EYE_IN=SPARE_IN")
    assert check(plain_board, f"levels STIM_OUT {inputs}") == {
        "EYE_IN": [0, 1],
        "SPARE_IN": [0, 1],
        "CAPTURE_IN": [0, 1],
    }
    plain_board.wire()
    assert check(plain_board, f"levels STIM_OUT {inputs}") == {
        "EYE_IN": [0, 0],
        "SPARE_IN": [0, 0],
        "CAPTURE_IN": [0, 0],
    }


def test_two_wires_into_one_input_act_as_an_or(plain_board: VirtualBoard) -> None:
    plain_board.wire("!SPARE_OUT->EYE_IN", "STIM_OUT->EYE_IN")
    assert check(plain_board, "levels STIM_OUT EYE_IN") == {"EYE_IN": [1, 1]}


def test_an_output_given_back_lets_its_wire_fall(plain_board: VirtualBoard) -> None:
    plain_board.wire("STIM_OUT->EYE_IN")
    assert check(plain_board, "edges STIM_OUT EYE_IN 3")["levels"] == [1, 0, 1]
    assert pull(plain_board, 4) == "pull-down"
    plain_board.wire("!STIM_OUT->EYE_IN")
    assert pull(plain_board, 4) == "pull-up"


def test_the_wiring_is_replaced_appended_to_and_kept_on_errors(plain_board: VirtualBoard) -> None:
    assert plain_board.wires() == list(DEFAULT_WIRES)
    plain_board.wire("STIM_OUT->12", "!TAKEN->SPARE_IN", "EYE_IN=SPARE_IN")
    plain_board.run("echo 'SPARE_OUT->0' >> /dev/edgereply-wires", 30)
    kept = ["STIM_OUT->12", "!TAKEN->SPARE_IN", "EYE_IN=SPARE_IN", "SPARE_OUT->0"]
    assert plain_board.wires() == kept
    for wrong in ("NOWHERE->EYE_IN", "EYE_IN", "EYE_IN->EYE_IN", "source:response->EYE_IN", "24->EYE_IN", "->", "="):
        with pytest.raises(BoardError):
            plain_board.wire("STIM_OUT->EYE_IN", wrong)
        assert plain_board.wires() == kept
    with pytest.raises(BoardError, match="No space left"):
        plain_board.wire(*["STIM_OUT->EYE_IN"] * 33)
