"""Building and booting the virtual board by hand: `python -m tests.virtual_board build|boot`."""

from __future__ import annotations

import argparse
import signal
import sys
import time
from types import FrameType

from tests.virtual_board import cache
from tests.virtual_board.board import VirtualBoard
from tests.virtual_board.build import KERNELS, build
from tests.virtual_board.errors import VirtualBoardError

TROUBLE = 3

BANNER = """
The virtual board is up after {boot_s:.1f} s. What is measured on it is virtual: it says nothing about hardware.

  kernel      {release}{icount}
  log in      ssh -F {config} {host}          (user bench, may use GPIO)
              ssh -F {config} {root}     (root)
  chip        {chip}, 24 lines: SPARE_IN (1), TAKEN (3, in use), EYE_IN (4), REJECT_OUT (5), STIM_OUT (6),
              CAPTURE_IN (7), SPARE_OUT (9), the rest without a name
  source      {serial}     (serial port of the pulse source, any baud rate)
  wires       {wires}
  rewire      on the board: echo 'STIM_OUT->EYE_IN' > /dev/edgereply-wires      (look: cat)
  responder   on the board: /opt/edgereply/responder /dev/gpiochip1 EYE_IN REJECT_OUT 100 60000
  console     {console}

Ctrl-C switches it off and removes its files.
"""


def _terminate(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _boot(arguments: argparse.Namespace) -> None:
    with VirtualBoard(arguments.kernel, icount=arguments.icount) as board:
        text = BANNER.format(
            boot_s=board.boot_s,
            release=board.release,
            icount=", time counts instructions" if arguments.icount else "",
            config=board.ssh_config,
            host=board.host,
            root=board.host_root,
            chip=board.chip_label,
            serial=board.serial_port,
            wires=", ".join(board.wires()),
            console=board.console,
        )
        print(text, flush=True)
        while board.running:
            time.sleep(0.2)
        raise VirtualBoardError("the emulator ended by itself; its console showed:\n" + board.console_tail())


def main() -> int:
    """Returns: exit code: 0 done, 2 bad arguments, 3 packages missing, a build step or the board failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.virtual_board", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    for name, text in (("build", "build what is not in the cache"), ("boot", "boot a board and keep it running")):
        command = commands.add_parser(name, help=text)
        command.add_argument("--kernel", choices=KERNELS, default="plain")
        if name == "boot":
            command.add_argument("--icount", action="store_true", help="the board's time counts instructions")
    arguments = parser.parse_args()
    signal.signal(signal.SIGTERM, _terminate)
    try:
        if arguments.command == "build":
            products = build(arguments.kernel)
            print(f"{products.release} is ready in {cache.root()}")
        else:
            _boot(arguments)
    except VirtualBoardError as error:
        print(f"virtual board: {error}", file=sys.stderr)
        return TROUBLE
    except KeyboardInterrupt:
        print("virtual board: off", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
