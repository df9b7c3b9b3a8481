"""The outermost layer: an interrupt that nobody expects has a last word and the right exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = """
import sys
class Interrupting:
    def find_spec(self, name, path, target=None):
        if name == {module!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Interrupting())
from edgereply.__main__ import main
sys.argv = ["edgereply", "wiring", "--bench", "none.toml"]
sys.exit(main())
"""


@pytest.mark.parametrize("module", ["edgereply.cli.app", "edgereply.config.settings"])
def test_an_interrupt_before_or_inside_a_command(module: str) -> None:
    """The first module is imported before there is a command, the second by the command itself.

    The parser turns an interrupt inside a command into exit code 130 without a word.
    """
    program = PROGRAM.format(module=module)
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr.strip()) == (130, "interrupted")


LATE = """
import atexit, os, signal, sys
from edgereply.__main__ import program
atexit.register(os.kill, os.getpid(), signal.{name})
sys.argv = ["edgereply", "--version"]
sys.exit(program())
"""


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_at_the_very_end_changes_nothing(name: str) -> None:
    """While the interpreter takes itself apart, its handlers go as well."""
    command = [sys.executable, "-c", LATE.format(name=name)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, "")


COMPILED = """
import os, signal, sys
class Interrupting:
    def find_spec(self, name, path, target=None):
        if name == "edgereply.config.settings":
            exec("os.kill(os.getpid(), signal.{name})")
sys.meta_path.insert(0, Interrupting())
"""


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_inside_compiled_text_keeps_the_exit_code(name: str, tmp_path: Path) -> None:
    """The interpreter remembers a KeyboardInterrupt there and, run with -m, kills itself by SIGINT in the end."""
    (tmp_path / "sitecustomize.py").write_text(COMPILED.format(name=name), encoding="utf-8")
    command = [sys.executable, "-m", "edgereply", "wiring", "--bench", "none.toml"]
    paths = os.pathsep.join([str(tmp_path), *filter(None, [os.environ.get("PYTHONPATH")])])
    env = {**os.environ, "PYTHONPATH": paths}
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False, env=env)
    assert (done.returncode, done.stderr.strip()) == (130, "interrupted")


BROKEN = """
import sys
class Breaking:
    def find_spec(self, name, path, target=None):
        if name == "edgereply.config.settings":
            raise RuntimeError("the board said \\x1b[2J\\x9b")
sys.meta_path.insert(0, Breaking())
from edgereply.__main__ import main
sys.argv = ["edgereply", "wiring", "--bench", "none.toml"]
sys.exit(main())
"""


def test_a_fault_of_the_program_is_no_answer_no() -> None:
    """Python's own exit code for it, 1, says that a measurement came out badly; and it prints whatever was said."""
    done = subprocess.run([sys.executable, "-c", BROKEN], capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 3
    assert "\x1b" not in done.stderr
    assert "the board said \\x1b[2J\\x9b" in done.stderr
    assert "edgereply: a fault of the program itself" in done.stderr
