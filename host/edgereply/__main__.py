"""`edgereply` and `python -m edgereply`: run a command, turn errors into messages and exit codes."""

import os
import signal
import sys

TROUBLE, INTERRUPTED = 3, 130


def main() -> int:
    """Run the command line.

    Returns:
        Exit code: 0 done, 1 the measurement says no, 2 bad input, 3 board, link or source trouble, 130 interrupted.
    """
    from edgereply.cli.app import app
    from edgereply.errors import HostError

    signal.signal(signal.SIGTERM, _interrupt)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, _interrupt)
    try:
        app()
    except HostError as error:
        _explain(error.message, error.where, error.remedy)
        return error.exit_code
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return TROUBLE
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else TROUBLE
    return 0


def _interrupt(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt


def _explain(message: str, where: str, remedy: str) -> None:
    print(f"edgereply: {message}", file=sys.stderr)
    if where:
        print(f"  where: {where}", file=sys.stderr)
    if remedy:
        print(f"  what to do: {remedy}", file=sys.stderr)


if __name__ == "__main__":
    raise SystemExit(main())
