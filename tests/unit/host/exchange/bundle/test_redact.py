import json
import re

import pytest

from edgereply.errors import SettingError
from edgereply.exchange.bundle.redact import Redactor


def redacted(document: object, *keep: str, words: tuple[str, ...] = ()) -> tuple[object, Redactor]:
    redactor = Redactor(keep, words, local=False)
    redactor.learn(document)
    return redactor.document(document), redactor


def text(line: str, *keep: str) -> str:
    found, _ = redacted({"reason": line}, *keep)
    assert isinstance(found, dict)
    return str(found["reason"])


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("cannot open /home-of/jo/bench.toml: no such file", "cannot open path-1: no such file"),
        ("see '/srv/jo doe/bench.toml', line 3", "see 'path-1', line 3"),
        ("in ~/benches/line 3", "in path-1 3"),
        (r"C:\Users\jo\bench.toml is missing", "path-1 is missing"),
        ("ssh jo@gate.example.org: refused", "ssh user-1@host-1: refused"),
        ("connect to 192.168.7.21 port 22", "connect to address-1 port 22"),
        ("connect to fe80::1ff:fe23:4567:890a%eth0 port 22", "connect to address-1 port 22"),
        ("link b8:27:eb:12:34:56 up", "link address-1 up"),
        ("root=PARTUUID=0a1b2c3d-0a1b-4c3d-8e9f-0a1b2c3d4e5f", "root=PARTUUID=serial-1"),
        ("from https://git.example.org/jo/bench", "from address-1"),
        ("/dev/serial/by-id/usb-Maker_Source_A1B2C3-if00", "path-1"),
    ],
)
def test_what_looks_like_a_name_is_taken_out_of_any_text(line: str, expected: str) -> None:
    assert text(line) == expected


@pytest.mark.parametrize(
    "line",
    [
        "rate 200/s, from 200/s to 4000/s",
        "missed and/or late, 3 of 5 at 12:34:56",
        "count irq 36 PCI-MSIX-0000:00:02.0 1-edge virtio1-req.0",
        "/dev/gpiochip0 line 17, /dev/ttyACM0, /dev/cpu_dma_latency, /proc/interrupts, /sys/class/gpio",
        "#1 SMP PREEMPT_DYNAMIC @0",
        "kernel 6.1.0-18-rt-arm64, version 1.2.3",
        "2026-01-02T03:04:05+00:00",
        "reaction 1.06 µs · p99.9 − median",
    ],
)
def test_what_is_no_name_stays(line: str) -> None:
    assert text(line) == line


def test_names_known_by_their_key_go_wherever_they_stand() -> None:
    found, redactor = redacted(
        {
            "requested": {"board": {"host": "jo@reject-gate-3", "ssh_config": "/srv/x/config", "route": "chardev"}},
            "source": {"port": "/dev/ttyUSB0", "serial": "A1B2C3"},
            "environment_before": {"hostname": "reject-gate-3", "nested": [{"machine_serial_number": "0000cafe"}]},
            "warnings": ["reject-gate-3: source A1B2C3 of jo, board 0000cafe", "reject-gate-33 is another"],
        }
    )
    assert found == {
        "requested": {"board": {"host": "user-1@host-1", "ssh_config": "path-1", "route": "chardev"}},
        "source": {"port": "/dev/ttyUSB0", "serial": "serial-1"},
        "environment_before": {"hostname": "host-1", "nested": [{"machine_serial_number": "serial-2"}]},
        "warnings": ["host-1: source serial-1 of jo, board serial-2", "reject-gate-33 is another"],
    }
    places = {(r.placeholder, r.value): r.places for r in redactor.redactions}
    assert places["host-1", "reject-gate-3"] == 3
    assert places["serial-1", "A1B2C3"] == 2


def test_a_command_to_repeat_loses_its_relative_paths_and_keeps_its_rates() -> None:
    line = "edgereply sweep acme/p.toml --saturation '200/s to 4000/s' --rate 200/s --bench '../jo x/b.toml' -o runs/a"
    found, _ = redacted({"repeat": [line]})
    assert found == {
        "repeat": ["edgereply sweep path-1 --saturation '200/s to 4000/s' --rate 200/s --bench path-2 -o path-3"]
    }


def test_a_host_named_like_a_word_of_ours_breaks_no_record() -> None:
    document = {"board": "block", "requested": {"board": {"host": "block", "wait": "block"}}, "evidence": "inside"}
    found, _ = redacted(document)
    assert found == {
        "board": "host-1", "requested": {"board": {"host": "host-1", "wait": "block"}}, "evidence": "inside",
    }  # fmt: skip


def test_keys_that_are_names_go_too_and_those_of_a_record_stay() -> None:
    found, _ = redacted({"host": "board", "board": {"gate at board": {"/srv/jo": 1}}})
    assert found == {"host": "host-1", "board": {"gate at host-1": {"path-1": 1}}}


@pytest.mark.parametrize(("keep", "seen"), [("host", {"a1", "b2"}), ("host-2", {"b2"}), ("path", set())])
def test_what_is_to_be_kept_is_kept(keep: str, seen: set[str]) -> None:
    found, redactor = redacted([{"host": "host-of-a1"}, {"host": "host-of-b2"}], keep)
    assert set(re.findall(r"host-of-(\w\d)", json.dumps(found))) == seen
    assert {r.placeholder for r in redactor.redactions if r.kept} == {f"host-{'_ab'.index(s[0])}" for s in seen}


def test_words_of_ones_own_go() -> None:
    found, _ = redacted({"title": "Acme line 3", "warnings": ["Acmeist"]}, words=("Acme",))
    assert found == {"title": "word-1 line 3", "warnings": ["Acmeist"]}


def test_placeholders_are_not_redacted_again_and_numbers_stay_numbers() -> None:
    found, redactor = redacted({"host": "jo@abc", "n": 7, "x": None, "flag": True, "float": 0.5})
    assert found == {"host": "user-1@host-1", "n": 7, "x": None, "flag": True, "float": 0.5}
    assert redactor.document(found) == found


def test_this_computers_own_names_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "bench7.plant.example")
    monkeypatch.setattr("getpass.getuser", lambda: "joanna")
    redactor = Redactor()
    assert redactor.text("by joanna on bench7 (bench7.plant.example)") == "by user-1 on host-1 (host-2)"
    assert not Redactor().redactions


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(SettingError, match="'hosts' is no kind"):
        Redactor(["hosts"])
