import sys
from contextlib import closing

import pytest

from edgereply.board.process import ProcessLink
from edgereply.errors import LinkError
from edgereply.system.deadline import Deadline

SLOW_TO_COMPLAIN = (
    "import os, sys, time; os.close(1); time.sleep(0.3); sys.stderr.write('Host key verification failed.')"
)
ECHO = "import sys; data = sys.stdin.buffer.readline(); sys.stdout.buffer.write(data); sys.stdout.flush()"


def until_end(link: ProcessLink) -> bytes:
    found, deadline = b"", Deadline(20.0)
    while (data := link.read(0.2)) is not None:
        assert not deadline.expired()
        found += data
    return found


def test_the_last_words_of_a_child_are_waited_for() -> None:
    with closing(ProcessLink([sys.executable, "-c", SLOW_TO_COMPLAIN], "board")) as link:
        assert until_end(link) == b""
        assert link.complaints == "Host key verification failed."


def test_bytes_go_both_ways_and_the_end_is_told_again_and_again() -> None:
    with closing(ProcessLink([sys.executable, "-c", ECHO], "board")) as link:
        link.write(b"there and back\n")
        assert until_end(link) == b"there and back\n"
        assert link.read(0) is None
        assert link.read(0) is None


def test_a_missing_program_is_named() -> None:
    with pytest.raises(LinkError, match="no-such-program-here"):
        ProcessLink(["no-such-program-here"], "board")


def test_a_child_that_will_not_end_is_ended() -> None:
    link = ProcessLink([sys.executable, "-c", "import time; time.sleep(600)"], "board")
    assert link.close(grace_s=0.2) != 0
    assert link.read(0.5) is None
