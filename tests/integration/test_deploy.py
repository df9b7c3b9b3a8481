"""Deploying by a pretended ssh: the remote command runs here, under each login shell in turn."""

import os
import shutil
import stat
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.tools import need

from edgereply.board.bundle import Bundle, build_bundle
from edgereply.board.client import BoardClient
from edgereply.board.ssh import SshLink, remove_over_ssh, ssh_command, start_locally, start_over_ssh
from edgereply.errors import BoardError, HostError, LinkError, SettingError

PRETENDED = """#!{python}
import os, sys
words = sys.argv[1:]
host, command = words[words.index("--") + 1 :]
banner = os.environ.get("PRETEND_BANNER", "")
sys.stdout.write(banner)
sys.stdout.flush()
shell = os.environ["PRETEND_SHELL"]
if host == "unreachable":
    sys.exit("ssh: connect to host unreachable port 22: Connection refused")
os.execv(shell, [shell, "-c", command])
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home directory on the pretended board, reached by the `ssh` first on PATH."""
    tools = tmp_path / "bin"
    tools.mkdir()
    ssh = tools / "ssh"
    ssh.write_text(PRETENDED.format(python=sys.executable))
    ssh.chmod(0o755)
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("PATH", f"{tools}:{Path(sys.executable).parent}:/usr/bin:/bin")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv("PRETEND_SHELL", "/bin/sh")
    return home


@pytest.fixture
def started(home: Path) -> Iterator[SshLink]:
    link = start_over_ssh("board", build_bundle())
    yield link
    link.close()


def hello(link: SshLink) -> str:
    client = BoardClient(link)
    try:
        return client.greet(20.0).role
    finally:
        client.close()


def test_the_agent_is_copied_privately_and_says_hello(started: SshLink, home: Path) -> None:
    path = Path(started.installed.path)
    assert started.installed.copied
    assert path == home / ".cache/edgereply" / build_bundle().digest[:16] / "agent.pyz"
    assert path.read_bytes() == build_bundle().data
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert hello(started) == "agent"


def test_the_second_time_nothing_is_copied(started: SshLink) -> None:
    again = start_over_ssh("board", build_bundle())
    assert not again.installed.copied
    assert hello(again) == "agent"


def test_an_altered_file_is_replaced(started: SshLink) -> None:
    Path(started.installed.path).write_bytes(b"altered")
    again = start_over_ssh("board", build_bundle())
    assert again.installed.copied
    assert hello(again) == "agent"


BAD = "raise SystemExit('what nobody checked was executed')\n"


def test_nothing_but_the_bytes_that_were_checked_is_ever_executed(started: SshLink) -> None:
    """Altered after the check, beside the file, and where earlier agents kept a compiled copy."""
    folder = Path(started.installed.path).parent
    for name in ("agent.pyz", f"agent-{sys.implementation.cache_tag}.zip"):
        with zipfile.ZipFile(folder / name, "w") as archive:
            for module in ("__init__", "__main__", "serving", "tasks/__init__", "tasks/respond", "routes/virtual"):
                archive.writestr(f"edgereply_agent/{module}.py", BAD)
    (folder / "edgereply_agent").mkdir()
    (folder / "edgereply_agent/__init__.py").write_text(BAD)
    client = BoardClient(started)
    client.greet(20.0)
    # What is loaded only now, some modules by their names and the floor's source as data.
    line = {"chip": "/nowhere/wires", "line": 0}
    with pytest.raises(HostError, match="cannot connect to the virtual wires"):
        client.configure(
            "respond", {"route": "virtual", "lines": {"input": line, "output": line}, "responder": "floor"}
        )
    client.close()
    again = start_over_ssh("board", build_bundle())
    assert again.installed.copied
    assert hello(again) == "agent"
    assert Path(again.installed.path).read_bytes() == build_bundle().data


def test_a_clock_before_1980_leaves_one_file(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    python = tmp_path / "bin/python-of-1970"
    python.write_text(
        f"#!{sys.executable} -I\nimport sys, time\n"
        "plain, time.time, time.localtime = time.localtime, lambda: 1000.0, lambda s=1000.0: plain(s)\n"
        "sys.argv = sys.argv[3:]\nexec(sys.argv.pop(0))\n"
    )
    python.chmod(0o755)
    link = start_over_ssh("board", build_bundle(), python=str(python))
    assert hello(link) == "agent"
    assert [path.name for path in Path(link.installed.path).parent.iterdir()] == ["agent.pyz"]


def test_two_versions_stand_side_by_side_and_are_removed_together(started: SshLink, home: Path) -> None:
    import hashlib

    data = build_bundle().data + b"\0"
    other = start_over_ssh("board", Bundle(data, hashlib.sha256(data).hexdigest()))
    other.close()
    assert len(list((home / ".cache/edgereply").iterdir())) == 2
    assert remove_over_ssh("board") == [str(home / ".cache/edgereply")]
    assert not (home / ".cache/edgereply").exists()


@pytest.mark.parametrize(
    ("shell", "package"),
    [
        ("sh", "dash"),
        ("bash", "bash"),
        ("busybox", "busybox-static"),
        ("zsh", "zsh"),
        ("tcsh", "tcsh"),
        ("fish", "fish"),
    ],
)
def test_any_login_shell_will_do(home: Path, monkeypatch: pytest.MonkeyPatch, shell: str, package: str) -> None:
    path = str(need(shell, package))
    if shell == "busybox":
        (home / "ash").symlink_to(path)
        path = str(home / "ash")
    monkeypatch.setenv("PRETEND_SHELL", path)
    assert hello(start_over_ssh("board", build_bundle())) == "agent"


def test_a_login_banner_does_no_harm(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PRETEND_BANNER", "*** Line 3 ***\nauthorised use only\n" * 200)
    assert hello(start_over_ssh("board", build_bundle())) == "agent"


def test_a_home_that_takes_nothing_is_passed_over_and_named(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (home / ".cache").write_text("a file where a directory should be")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative/is/ignored")
    link = start_over_ssh("board", build_bundle())
    try:
        assert link.installed.path.startswith(f"/var/tmp/edgereply-{os.getuid()}/")
        assert str(home / ".cache") in link.installed.passed_over[0]
        assert hello(link) == "agent"
    finally:
        shutil.rmtree(f"/var/tmp/edgereply-{os.getuid()}")


def test_a_directory_planted_as_a_link_is_not_followed(home: Path, tmp_path: Path) -> None:
    (home / ".cache").mkdir()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (home / ".cache/edgereply").symlink_to(elsewhere)
    link = start_over_ssh("board", build_bundle())
    link.close()
    assert list(elsewhere.iterdir()) == []
    assert "not a directory" in link.installed.passed_over[0]
    shutil.rmtree(f"/var/tmp/edgereply-{os.getuid()}")


def test_an_unreachable_board_is_told_in_sshs_own_words(home: Path) -> None:
    with pytest.raises(LinkError, match="Connection refused"):
        start_over_ssh("unreachable", build_bundle())


def test_a_board_without_python_says_so(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BoardError, match="/nowhere/python3 is not there") as caught:
        start_over_ssh("board", build_bundle(), python="/nowhere/python3")
    assert "leave it out" in caught.value.remedy


@pytest.mark.parametrize("host", ["", "-oProxyCommand=touch /tmp/x", "a b", "host;reboot", "$(reboot)", "a\nb", "`x`"])
def test_a_host_is_never_an_option_or_shell_code(host: str) -> None:
    with pytest.raises(SettingError):
        ssh_command(host)


@pytest.mark.parametrize("python", ["-c", "python3; reboot", "$(x)", "py thon", "a'b", 'a"b', "a\nb"])
def test_an_interpreter_is_never_shell_code(python: str) -> None:
    with pytest.raises(SettingError):
        ssh_command("board", python)


def test_host_key_checking_is_left_to_the_users_configuration() -> None:
    command = ssh_command("user@board")
    assert "--" in command
    assert not any("StrictHostKeyChecking" in word or "UserKnownHostsFile" in word for word in command)


def test_the_real_ssh_takes_the_options() -> None:
    words = ssh_command("nowhere.invalid")
    done = subprocess.run(
        [str(need("ssh", "openssh-client")), "-G", *words[1:-1]], capture_output=True, text=True, timeout=20
    )
    assert done.returncode == 0, done.stderr
    assert "serveraliveinterval 5" in done.stdout
    assert "hostname nowhere.invalid" in done.stdout


def test_errors_have_the_exit_codes_of_their_kind(home: Path) -> None:
    with pytest.raises(HostError) as caught:
        start_over_ssh("unreachable", build_bundle())
    assert caught.value.exit_code == 3


def test_an_agent_that_fails_on_this_computer_is_no_matter_of_ssh() -> None:
    with pytest.raises(LinkError, match="the agent's start failed") as caught:
        start_locally(build_bundle(), "gate", "/bin/false")
    assert "ssh" not in str(caught.value)
    assert "'/bin/false -V'" in caught.value.remedy
