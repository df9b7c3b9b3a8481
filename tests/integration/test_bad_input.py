"""Each mistake a user can make: what is wrong, where, what to do; the right exit code; nothing left behind."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.fakes.scripted_serial import ScriptedSerial
from tests.integration.commands import Workplace, bench_text, explained, mounted, rows
from tests.tools import need

from edgereply.storage.run_reader import RunReader

WIRED = """
[board.gate]
link = "local"
route = "{route}"
input = "{line}"
output = "gpiochip250:4"
[source]
kind = "reference"
port = "{port}"
[stimulus]
count = 50
"""


def fails(place: Workplace, code: int, words: list[str], *arguments: str) -> None:
    """Run, check the explanation, and that no run was begun."""
    before = {path for path in place.root.rglob("*") if not path.name.startswith(".")}
    done = place.run(*arguments)
    explained(done, code, *words)
    assert done.out == ""
    assert {path for path in place.root.rglob("*") if not path.name.startswith(".")} == before


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"[board.gate\nlink = 1", ["not TOML", "line 1", "bench.toml"]),
        (b"\xff\xfe[board", ["not TOML", "bench.toml"]),
        (b"", ["board", "bench.toml"]),
        (bench_text(board='rout = "virtual"').encode(), ["board.gate.rout", "unknown key"]),
        (bench_text(board='wait = "sleep"').encode(), ["board.gate.wait", "'sleep'", "'block' or 'spin'"]),
        (bench_text(rate="fast").encode(), ["stimulus.rate", "'fast'"]),
        (bench_text(deadline="2").encode(), ["deadline", "'2'"]),
        (bench_text(options="drop = 2.0").encode(), ["drop", "2.0", "0 to 1"]),
        (bench_text(options="dorp = 0.1").encode(), ["dorp", "drop"]),
        (bench_text(floor="3ms").encode(), ["stimulus", "'floor' must be shorter"]),
        (WIRED.format(route="chardev", line="", port="/dev/x").encode(), ["board.gate", "'input' is missing"]),
        (WIRED.format(route="chardev", line="gpiochip250:3", port="").encode(), ["source", "needs 'port'"]),
    ],
)  # fmt: skip
def test_a_wrong_bench_file(place: Workplace, text: bytes, words: list[str]) -> None:
    (place.root / "bench.toml").write_bytes(text)
    fails(place, 2, words, "measure", "--out", "run")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["measure", "--bench", "nowhere.toml"], ["nowhere.toml", "No such file", "--bench"]),
        (["measure", "--bench", "."], ["Is a directory"]),
        (["measure", "--board", "door"], ["'door'", "gate"]),
        (["measure", "--route", "telepathy"], ["board.gate.route", "'telepathy'", "chardev"]),
        (["measure", "--route", "chardev"], ["board.gate", "'input' is missing"]),
        (["measure", "--rate", "often"], ["stimulus.rate", "'often'"]),
        (["measure", "--count", "0"], ["stimulus.count", "'0'"]),
        (["measure", "--count", "5", "--dwell", "1s"], ["give 'count' or 'dwell'"]),
        (["measure", "--fifo-priority", "100"], ["fifo_priority", "99"]),
        (["measure", "--deadline", "soon"], ["deadline", "'soon'"]),
        (["wiring", "--board", "door"], ["'door'", "gate"]),
        (["deploy"], ["not reached over ssh", "gate"]),
        (["demo", "--out", "full"], ["not empty", "full", "--out"]),
        (["demo", "--dwell", "long"], ["'long'", "--dwell"]),
        (["report", "nowhere"], ["not a run directory", "nowhere"]),
        (["report", "full"], ["not a run directory", "full"]),
        (["report", "full", "--deadline", "soon"], ["'soon'", "--deadline"]),
        (["report", "full", "--figure", "mona-lisa"], ["'mona-lisa'", "--figure", "distribution"]),
        (["report", "full", "--figure", "tail", "-o", "x.jpg"], ["'jpg'", ".svg, .png or .pdf"]),
        (["report", "full", "--figure", "tail", "--size", "huge"], ["'huge'", "1280x720"]),
        (["report", "full", "--table", "top"], ["'top'", "--table", "comparison"]),
        (["report", "full", "--table", "summary", "-o", "x.doc"], ["'doc'", ".md, .csv, .json, .tex or .html"]),
        (["measure", "--out", "full"], ["not empty", "full"]),
    ],
)
def test_a_wrong_option(place: Workplace, arguments: list[str], words: list[str]) -> None:
    place.write(bench_text())
    (place.root / "full").mkdir()
    (place.root / "full" / "letter.txt").write_text("mine")
    fails(place, 2, words, *arguments)


# Serial ports


@pytest.fixture
def virtual_port(tmp_path: Path) -> Iterator[str]:
    """A pulse source on a serial port that has nothing to do with the board."""
    import json

    process = subprocess.Popen(
        [sys.executable, "-m", "edgereply.sources.simulator"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    yield json.loads(process.stdout.readline())["port"]
    process.stdin.close()
    process.wait(10)
    process.stdout.close()


@pytest.mark.parametrize(
    ("route", "words"),
    [("chardev", ["gpiochip"]), ("gpiod", ["gpio"]), ("sysfs", ["gpio"])],
)
def test_a_route_that_this_computer_does_not_have(
    place: Workplace, virtual_port: str, route: str, words: list[str]
) -> None:
    """No computer has a chip 250; most that run this have no chips at all."""
    place.write(WIRED.format(route=route, line="gpiochip250:3", port=virtual_port))
    if not list(Path("/dev").glob("gpiochip*")) and not Path("/sys/class/gpio/export").exists():
        words = [*words, f"the route {route} cannot be used"]
        fails(place, 2, words, "measure", "--out", "run")
    else:
        done = place.run("measure", "--out", "run")
        explained(done, done.code, *words)
        assert done.code in (2, 3)
        assert not (place.root / "run").exists()


def test_software_wires_do_not_go_with_a_real_source(place: Workplace, virtual_port: str) -> None:
    place.write(WIRED.format(route="virtual", line="gpiochip250:3", port=virtual_port))
    fails(place, 2, ["'virtual'", "together", "reference"], "measure", "--out", "run")


def test_no_such_serial_port(place: Workplace) -> None:
    place.write(WIRED.format(route="chardev", line="gpiochip250:3", port="/dev/ttyNOWHERE"))
    fails(place, 3, ["no such serial port", "/dev/ttyNOWHERE"], "measure", "--out", "run")


def test_a_file_is_no_serial_port(place: Workplace) -> None:
    path = place.write("", "file")
    place.write(WIRED.format(route="chardev", line="gpiochip250:3", port=path))
    fails(place, 3, ["serial port", str(path)], "measure", "--out", "run")


def test_a_used_output_is_refused_before_anything_is_opened(place: Workplace) -> None:
    place.write(bench_text())
    (place.root / "used").mkdir()
    place.write("kept", "used/notes.txt")
    done = place.run("measure", "--out", "used")
    assert (done.code, "opening" in done.err, "not empty" in done.err) == (2, False, True)
    assert (place.root / "used/notes.txt").read_text() == "kept"


def test_a_busy_serial_port(place: Workplace, virtual_port: str) -> None:
    place.write(WIRED.format(route="chardev", line="gpiochip250:3", port=virtual_port))
    descriptor = os.open(virtual_port, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        fcntl.ioctl(descriptor, termios.TIOCEXCL)
        fails(place, 3, ["another program", virtual_port], "measure", "--out", "run")
    finally:
        fcntl.ioctl(descriptor, termios.TIOCNXCL)
        os.close(descriptor)


def without_overriding(place: Workplace, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run as a user whom file permissions stop, also where that user is root."""
    command = [sys.executable, "-m", "edgereply", *arguments]
    if os.geteuid() == 0:
        drop = "--bounding-set=-dac_override,-dac_read_search"
        command = [str(need("setpriv", "util-linux")), drop, "--inh-caps=-all", *command]
    env = {**os.environ, "TMPDIR": str(place.temporary)}
    return subprocess.run(command, cwd=place.root, env=env, capture_output=True, text=True, timeout=90)


def test_no_permission_for_a_serial_port(place: Workplace, virtual_port: str) -> None:
    place.write(WIRED.format(route="chardev", line="gpiochip250:3", port=virtual_port))
    mode = Path(virtual_port).stat().st_mode
    Path(virtual_port).chmod(0)
    try:
        done = without_overriding(place, "measure", "--out", "run")
    finally:
        Path(virtual_port).chmod(mode)
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert f"no permission to open this serial port\n  where: {virtual_port}\n  what to do: join" in done.stderr
    assert not (place.root / "run").exists()


def silence(_: bytes) -> bytes:
    return b""


def banner(_: bytes) -> bytes:
    return b"Login incorrect\r\nlogin: "


def echo(line: bytes) -> bytes:
    return line


def another_instrument(line: bytes) -> bytes:
    return b"ACME,Lamp,1,2\n" if b"*IDN?" in line else b""


@pytest.mark.parametrize(
    ("reply", "greeting", "words"),
    [
        (banner, b"login: ", ["not a pulse source", "Login incorrect"]),
        (echo, b"", ["not a pulse source", "*IDN?"]),
        (another_instrument, b"", ["not a pulse source", "ACME,Lamp"]),
        (silence, b"", ["does not answer"]),
    ],
)
def test_something_else_answers(
    place: Workplace, reply: Callable[[bytes], bytes], greeting: bytes, words: list[str]
) -> None:
    with ScriptedSerial(reply, greeting) as serial:
        place.write(WIRED.format(route="chardev", line="gpiochip250:3", port=serial.port))
        fails(place, 3, [*words, serial.port], "measure", "--out", "run")


# Run directories


@pytest.fixture(scope="module")
def good_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = Workplace(tmp_path_factory.mktemp("good"))
    place.write(bench_text(count=100))
    done = place.run("measure", "--out", "run")
    assert done.code == 0, done.err
    return place.root / "run"


def truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-10])


def flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 3] ^= 1
    path.write_bytes(data)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def copy_beside(path: Path) -> None:
    shutil.copy(path, path.with_name("part-00077.parquet"))


def newer(path: Path) -> None:
    path.write_text(path.read_text().replace('"format": 1,', '"format": 99,'))


PART = "stamps/part-00000.parquet"


@pytest.mark.parametrize(
    ("file", "damage", "words"),
    [
        (PART, truncate, ["altered or truncated", PART]),
        (PART, flip, ["altered or truncated", PART]),
        (PART, empty, ["altered or truncated", PART]),
        (PART, Path.unlink, ["a part is missing", PART]),
        (PART, copy_beside, ["did not write", "part-00077.parquet"]),
        ("board/part-00000.parquet", flip, ["altered or truncated", "board/part-00000.parquet"]),
        ("run.json", truncate, ["run.json is damaged", "run.json"]),
        ("run.json", empty, ["run.json is damaged", "run.json"]),
        ("run.json", Path.unlink, ["not a run directory", "run"]),
        ("run.json", newer, ["format 99", "update edgereply"]),
    ],
)
def test_a_damaged_run(
    place: Workplace, good_run: Path, file: str, damage: Callable[[Path], None], words: list[str]
) -> None:
    shutil.copytree(good_run, place.root / "run")
    damage(place.root / "run" / file)
    fails(place, 2, words, "report", "run", "-o", "page.html")


def test_a_part_damaged_while_the_run_was_cut_off(place: Workplace, good_run: Path) -> None:
    """Then there are no checksums of whole parts; those of the pages tell."""
    run = place.root / "run"
    shutil.copytree(good_run, run)
    record = run / "run.json"
    record.write_text(record.read_text().replace('"state": "complete"', '"state": "running"'))
    assert RunReader(run).cut_off
    flip(run / PART)
    fails(place, 2, [PART, "cannot be read"], "report", "run", "-o", "page.html")


@pytest.mark.parametrize(("output", "words"), [("nowhere/page.html", ["nowhere"]), (".", ["."])])
def test_a_page_that_cannot_be_written(place: Workplace, good_run: Path, output: str, words: list[str]) -> None:
    fails(place, 2, words, "report", str(good_run), "-o", output)


# Disks


def need_root() -> None:
    if os.geteuid() != 0:
        pytest.fail("this test mounts a small file system: run it as root")


def test_no_permission_to_write(place: Workplace) -> None:
    place.write(bench_text())
    closed = place.root / "closed"
    closed.mkdir(mode=0o500)
    done = without_overriding(place, "measure", "--out", "closed/run")
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "cannot be written: Permission denied\n  where: closed/run\n  what to do: " in done.stderr


def test_a_read_only_disk(place: Workplace) -> None:
    need_root()
    place.write(bench_text())
    with mounted(place.root / "disk", "ro"):
        fails(place, 3, ["cannot be written: Read-only file system", "disk/run", "--out"],
              "measure", "--out", "disk/run")  # fmt: skip


def test_a_disk_that_fills_up_in_the_middle_keeps_what_was_committed(place: Workplace) -> None:
    need_root()
    place.write(bench_text(rate="2000/s", floor="200us", count=60_000))
    run = place.root / "disk/run"
    with mounted(place.root / "disk", "size=256k"):
        done = place.run("measure", "--out", "disk/run")
        explained(done, 3, "cannot be written: No space left on device", "disk/run", "--out")
        assert RunReader(run).record.state in ("running", "incomplete")
        assert min(rows(run)) > 0
        assert not list(run.rglob("*.partial"))


@pytest.mark.parametrize(
    "words",
    [
        ["-o", "disk/page.html"],
        ["--figure", "boards", "-o", "disk/boards.png"],
        ["--table", "boards", "-o", "disk/t.md"],
    ],
)
def test_a_report_on_a_full_disk_is_trouble_like_everywhere(place: Workplace, good_run: Path, words: list[str]) -> None:
    need_root()
    with mounted(place.root / "disk", "size=8k"):
        (place.root / "disk/full").write_bytes(b"x" * 8192)
        fails(place, 3, ["cannot be written: No space left on device", "disk/", "free space"],
              "report", str(good_run), *words)  # fmt: skip
        assert [path.name for path in (place.root / "disk").iterdir()] == ["full"]


def test_a_run_that_is_removed_while_it_is_measured(place: Workplace) -> None:
    place.write(bench_text(rate="500/s", count=60_000))
    running = place.start("measure", "--out", "run")
    running.until_committed(place.root / "run")
    shutil.rmtree(place.root / "run")
    explained(running.end(), 3, "the run's directory was removed while it was measured", "run")
