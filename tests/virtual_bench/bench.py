"""A bench file for a virtual board, the command line beside it, and a look at the board behind the agent's back."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path

from edgereply.storage.run_reader import RunReader
from tests.integration.commands import AgentFamily, Done, Running, Workplace, await_that
from tests.virtual_board import VirtualBoard
from tests.virtual_board.witness import watching_outputs

EYE_IN, REJECT_OUT, STIM_OUT = 4, 5, 6
STIMULI = 100
AGENT = re.compile(r"python3 -I -c .* edgereply-agent$")
BENCH = """
title = "Reject gate (virtual board)"
deadline = "{deadline}"
[board."{name}"]
host = "{host}"
ssh_config = "{ssh_config}"
input = "EYE_IN"
output = "REJECT_OUT"
stimulus_line = "STIM_OUT"
capture_line = "CAPTURE_IN"
{board}
[source]
{source}
[stimulus]
rate = "{rate}"
count = {count}
{stimulus}
"""


class VirtualBench:
    """A place to run commands in, on a board.

    Args:
        board: running.
        place: where files go.
    """

    def __init__(self, board: VirtualBoard, place: Workplace) -> None:
        self.board = board
        self.place = place

    @property
    def reference(self) -> str:
        """Lines of the bench file for the board's pulse source on its serial port."""
        return f'kind = "reference"\nport = "{self.board.serial_port}"'

    def write(
        self,
        board: str = "",
        source: str = "",
        rate: str = "100/s",
        count: int = STIMULI,
        stimulus: str = "",
        root: bool = False,
        ssh_config: Path | None = None,
        name: str = "gate",
        deadline: str = "2ms",
    ) -> None:
        """Write the bench file; arguments are lines of its sections."""
        self.place.write(
            BENCH.format(
                host=self.board.host_root if root else self.board.host,
                ssh_config=ssh_config or self.board.ssh_config,
                board=board,
                source=source or self.reference,
                rate=rate,
                count=count,
                stimulus=stimulus,
                name=name,
                deadline=deadline,
            )
        )

    def run(self, *arguments: str) -> Done:
        """Run a command to its end."""
        return self.place.run(*arguments)

    def start(self, *arguments: str) -> Running:
        """Start a command."""
        return self.place.start(*arguments)

    def start_measuring(self, *arguments: str) -> tuple[Running, Path]:
        """Start a long run and wait until stamps of both clocks are on the disk."""
        run = self.place.root / "run"
        running = self.start("measure", "--json", "--no-wiring", "--out", str(run), *arguments)
        running.until_committed(run)
        return running, run

    def reader(self, name: str = "run") -> RunReader:
        """A run made here."""
        return RunReader(self.place.root / name)

    def agents(self) -> dict[int, tuple[int, int]]:
        """Processes of agents on the board: parent and process group by pid."""
        rows = [row.split(maxsplit=3) for row in self.board.run("ps -eo pid,ppid,pgid,args", 30).splitlines()]
        return {int(row[0]): (int(row[1]), int(row[2])) for row in rows if AGENT.match(row[3])}

    def agent(self) -> AgentFamily:
        """The processes of the one agent on the board."""
        found = self.agents()
        (session,) = (pid for pid, (parent, _) in found.items() if parent not in found)
        (responder,) = (pid for pid, (_, group) in found.items() if pid != session and group == found[session][1])
        (keeper,) = (pid for pid, (_, group) in found.items() if pid == group != found[session][1])
        return AgentFamily(session, responder, keeper)

    def no_agent_left(self) -> None:
        """Fail when an agent is still there after a few seconds."""
        await_that(lambda: not self.agents(), lambda: self.board.run("ps -eo pid,ppid,args", 30), 30.0)

    def output_level(self, offset: int = REJECT_OUT) -> str:
        """Level of a line of the gate's chip, as the simulated hardware has it."""
        chip = "/sys/devices/platform/gpio-sim.*/gpiochip*/sim_gpio23/.."
        return self.board.run(f"cat {chip}/sim_gpio{offset}/value", 30).strip()

    @contextlib.contextmanager
    def driving_nothing(self) -> Iterator[None]:
        """Fail when anything is written to REJECT_OUT, its request as an output included."""
        with watching_outputs(self.board) as trace:
            yield
        assert not (trace.offset == REJECT_OUT).any(), trace.level[trace.offset == REJECT_OUT]
