"""Completion in the shells themselves, and the manual page in the program that reads manual pages."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.fakes.terminal import Terminal
from tests.integration.commands import bench_text
from tests.integration.documents import ROOT
from tests.integration.test_documents import script
from tests.tools import need

BENCH = bench_text().replace("[source]", '[board.gauge]\nlink = "local"\nroute = "virtual"\n[source]')
ENV = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
BASH = """
eval "$(edgereply --show-completion)"
COMP_WORDS=({words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1))
{last}
"$(complete -p edgereply | sed 's/.*-F \\([^ ]*\\) .*/\\1/')" edgereply
printf '%s\\n' "${{COMPREPLY[@]}}"
"""


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "other.toml").write_text(bench_text().replace("board.gate", "board.flap"), encoding="utf-8")
    (tmp_path / "wrong.toml").write_text("[board", encoding="utf-8")
    return tmp_path


def completed_by_bash(place: Path, words: str) -> list[str]:
    """What bash offers for the last word, "" where it is still to be typed."""
    last = 'COMP_WORDS+=(""); COMP_CWORD=$((COMP_CWORD + 1))' if words.endswith(" ") else ""
    text = BASH.format(words=words, last=last)
    done = subprocess.run(
        [need("bash", "bash"), "--norc", "-s"],
        input=text,
        cwd=place,
        env=ENV,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stderr == ""
    return done.stdout.split()


def test_bash_completes_commands_options_choices_and_boards(place: Path) -> None:
    for words, offered in (
        ("edgereply meas", ["measure"]),
        ("edgereply init --reach ", ["ssh", "local", "external", "virtual"]),
        ("edgereply init --rea", ["--reach"]),
        ("edgereply measure --board ", ["gate", "gauge"]),
        ("edgereply wiring --bench other.toml --board ", ["flap"]),
        ("edgereply wiring --bench wrong.toml --board ", []),
    ):
        assert completed_by_bash(place, words) == offered, words


def test_bash_at_a_terminal_completes_by_tab(place: Path) -> None:
    with Terminal([str(need("bash", "bash")), "--norc", "-i"], place, PATH=ENV["PATH"], PS1="now: ") as terminal:
        terminal.answer("now", 'eval "$(edgereply --show-completion)"')
        terminal.answer("now", "echo it is edgereply verd\t")
        terminal.answer("now", "edgereply verd\t --help | grep -c Usage")
        terminal.answer("now", "exit")
        terminal.end()
    assert "edgereply verdict" in terminal.seen


def test_zsh_completes_by_tab(place: Path) -> None:
    with Terminal([str(need("zsh", "zsh")), "-f", "-i"], place, PATH=ENV["PATH"], PS1="now: ") as terminal:
        terminal.answer("now", "autoload -U compinit; compinit -D -u")
        terminal.answer("now", 'eval "$(edgereply --show-completion)"')
        terminal.answer("now", "edgereply measure --wait sp\t--help | head -2")
        terminal.answer("now", "exit")
        terminal.end()
    assert "--wait spin" in terminal.seen


def test_fish_completes_commands_options_choices_and_boards(place: Path) -> None:
    asked = ("edgereply meas", "edgereply measure --wait ", "edgereply measure --board ")
    text = "edgereply --show-completion | source\n" + "".join(f"complete -C '{line}'; echo @@\n" for line in asked)
    fish = str(need("fish", "fish"))
    env = {**ENV, "HOME": str(place), "XDG_CONFIG_HOME": str(place), "XDG_DATA_HOME": str(place)}
    done = subprocess.run(
        [fish, "--no-config"], input=text, cwd=place, env=env, capture_output=True, text=True, timeout=120
    )
    found = [[line.split("\t")[0] for line in part.split("\n") if line] for part in done.stdout.split("@@\n")]
    assert found[:3] == [["measure"], ["block", "spin"], ["gate", "gauge"]], done.stderr


def test_the_manual_page_is_what_the_program_says() -> None:
    """`python docs/write_man.py` writes it."""
    assert (ROOT / "docs/edgereply.1").read_text(encoding="utf-8") == script("docs/write_man.py").page()


def test_the_manual_page_is_read_without_complaint() -> None:
    mandoc = str(need("mandoc", "mandoc"))
    page = str(ROOT / "docs/edgereply.1")
    done = subprocess.run([mandoc, "-Tlint", "-W", "warning", page], capture_output=True, text=True, timeout=60)
    complaints = [line for line in done.stdout.splitlines() if "missing date" not in line]
    assert complaints == []
    shown = subprocess.run([mandoc, "-Tascii", page], capture_output=True, text=True, timeout=60).stdout
    assert "edgereply init" in shown.replace("\b", "").replace("__", "") or "eeddggeerreeppllyy" in shown.replace(
        "\b", ""
    )
