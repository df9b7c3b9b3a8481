"""The real command line where host and agent are of different versions, in both directions."""

from __future__ import annotations

import shlex
import shutil
import sys
from pathlib import Path

import pytest
from tests.integration.commands import Done, Workplace, bench_text, explained, rows

from edgereply_protocol import NEWEST, OLDEST

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("agent/edgereply_agent", "protocol/edgereply_protocol")
COUNT = 40
# File within the packages, what stands there, what takes its place.
Change = tuple[str, str, str]

TELLS_MORE: Change = (
    "edgereply_protocol/messages.py",
    "    problem = _problem(type(message), values)\n    if problem:\n        raise LocalError",
    "    problem = _problem(type(message), values)\n    values['novelty'] = {'deep': [1, None]}\n    if problem:\n"
    "        raise LocalError",
)
SAYS_SOMETHING_NEW: Change = (
    "edgereply_agent/session.py",
    "    def _start(self) -> None:\n",
    "    def _start(self) -> None:\n        from edgereply_protocol import Frame, encode_frame\n"
    "        self._wire.put(encode_frame(Frame(77, 2, b'{}')))\n",
)
KNOWS_NO_LOAD: Change = (
    "edgereply_agent/tasks/base.py",
    "            load={} if self._load is None else self._load.in_effect,\n",
    "",
)
KNOWS_NO_WAIT: Change = ("edgereply_agent/known.py", '"wait", ', "")


def speaks(oldest: int, newest: int) -> tuple[Change, ...]:
    """Other versions of the protocol."""
    file = "edgereply_protocol/version.py"
    return (file, f"NEWEST = {NEWEST}\n", f"NEWEST = {newest}\n"), (
        file,
        f"OLDEST = {OLDEST}\n",
        f"OLDEST = {oldest}\n",
    )


def altered(folder: Path, *changes: Change) -> Path:
    """Agent and protocol with some text replaced; each replacement must find its place."""
    for package in PACKAGES:
        shutil.copytree(ROOT / package, folder / Path(package).name, ignore=shutil.ignore_patterns("__pycache__"))
    for name, old, new in changes:
        path = folder / name
        text = path.read_text()
        assert text.count(old) == 1, (name, old)
        path.write_text(text.replace(old, new))
    return folder


def measure(place: Workplace, agent: tuple[Change, ...], *arguments: str, host: tuple[Change, ...] = ()) -> Done:
    """Measure with an agent of its own kind on the far side, whatever the host brings along."""
    packages = altered(place.root / "of-the-board", *agent)
    preload = (
        f"import importlib, pkgutil, sys; sys.path.insert(0, {str(packages)!r}); "
        "import edgereply_agent, edgereply_protocol; "
        "[importlib.import_module(module.name) for package in (edgereply_protocol, edgereply_agent) "
        "for module in pkgutil.walk_packages(package.__path__, package.__name__ + '.') "
        "if not module.name.endswith('__main__')]; "
        "del sys.path[0]; exec(sys.argv[3])"
    )
    python = place.root / "python-of-the-board"
    words = ["env", "-u", "PYTHONPATH", sys.executable, "-c", preload]
    python.write_text(f'#!/bin/sh\nexec {shlex.join(words)} "$@"\n')
    python.chmod(0o755)
    place.write(bench_text(count=COUNT, board=f'python = "{python}"'))
    env = {"PYTHONPATH": str(altered(place.root / "of-the-host", *host))} if host else {}
    return place.run("measure", "--json", "--no-wiring", "--out", "run", *arguments, **env)


@pytest.mark.parametrize(
    ("agent", "host"),
    [
        ((*speaks(OLDEST, NEWEST + 1), TELLS_MORE), ()),
        ((), (*speaks(OLDEST, NEWEST + 1), TELLS_MORE)),
    ],
    ids=["newer agent that tells more", "newer host that tells more"],
)
def test_ends_that_share_a_version_measure(
    place: Workplace, agent: tuple[Change, ...], host: tuple[Change, ...]
) -> None:
    done = measure(place, agent, host=host)
    assert done.code == 0, done.err
    # Which answer is whose may stay open on a busy computer; that every edge was answered does not.
    assert (done.document["stimuli"], rows(place.root / "run")[1]) == (COUNT, COUNT)


def test_an_agent_that_is_too_new_says_to_update_the_computer(place: Workplace) -> None:
    done = measure(place, speaks(NEWEST + 1, NEWEST + 2))
    explained(
        done,
        3,
        f" {NEWEST + 1} to {NEWEST + 2}: ",
        "update the host (edgereply ",
        "update edgereply on the computer",
    )
    assert not (place.root / "run").exists()


def test_an_agent_that_is_too_old_says_to_bring_the_own_one(place: Workplace) -> None:
    done = measure(place, (), host=speaks(NEWEST + 1, NEWEST + 2))
    explained(
        done, 3, f"{OLDEST} to {NEWEST}", "update the agent (edgereply-agent ", "let edgereply put its own agent there"
    )
    assert not (place.root / "run").exists()


def test_a_message_that_only_a_newer_agent_has(place: Workplace) -> None:
    done = measure(place, (SAYS_SOMETHING_NEW,))
    explained(done, 3, "unknown message type 77", "update edgereply on the computer")


def test_what_an_older_agent_would_leave_out_is_refused(place: Workplace) -> None:
    done = measure(place, (KNOWS_NO_LOAD,), "--load", "cpu=1")
    explained(done, 3, "is too old for: load", "let edgereply put its own agent there")
    assert not (place.root / "run").exists()


def test_what_an_older_agent_does_not_know_is_refused_by_it(place: Workplace) -> None:
    done = measure(place, (KNOWS_NO_WAIT,))
    explained(done, 2, "does not know the setting 'wait'", "let edgereply put its own agent there")
    assert not (place.root / "run").exists()
