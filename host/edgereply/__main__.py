"""`edgereply` and `python -m edgereply`: run a command, turn errors into messages and exit codes."""

import os
import signal
import sys

from edgereply.errors import INTERRUPTED, TROUBLE
from edgereply.system.interrupts import SIGNALS
from edgereply.wording.ascii_output import never_fail
from edgereply.wording.folding import explain
from edgereply.wording.screen import put, put_traceback


def main() -> int:
    """Run the command line.

    Returns:
        Exit code: 0 done, 1 the measurement says no, 2 bad input, 3 board, link or source trouble or a reader of
        stdout that has gone, 130 interrupted.
    """
    signal.signal(signal.SIGTERM, _interrupt)
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, _interrupt)
    never_fail()
    code = _run()
    try:
        sys.stdout.flush()
    except OSError as error:
        code = _unwritable(error)
    return code


def program() -> int:
    """Run the command line as a process of its own, at whose very end signals come too late to matter.

    Returns:
        Exit code, see `main`.
    """
    code = main()
    # The interpreter gives handlers up before it ends, and a late signal would put its own exit code over this one.
    for number in SIGNALS:
        signal.signal(number, signal.SIG_IGN)
    return code


def _run() -> int:
    try:
        return _command()
    except KeyboardInterrupt:  # while the command was being imported, too
        put("interrupted", error=True)
        return INTERRUPTED
    except Exception as error:
        # Python would exit with 1, which is ours for "the measurement says no", and print the text as it is.
        put_traceback(error)
        explain("a fault of the program itself", where=type(error).__name__, remedy="report it with the lines above")
        return TROUBLE


def _command() -> int:
    from edgereply.cli.app import app
    from edgereply.errors import HostError

    try:
        app()
    except HostError as error:
        explain(error.message, error.where, error.remedy)
        return error.exit_code
    except OSError as error:
        return _unwritable(error)
    except SystemExit as leaving:
        behind = leaving.__context__
        # The parser leaves with 1 when a write meets a closed pipe; 1 is ours for "the measurement says no".
        if isinstance(behind, BrokenPipeError):
            return _unwritable(behind)
        # It takes an interrupt that no command has answered for one that needs no word.
        if behind is not None and isinstance(behind.__cause__, KeyboardInterrupt):
            put("interrupted", error=True)
        return leaving.code if isinstance(leaving.code, int) else TROUBLE
    return 0


def _unwritable(error: OSError) -> int:
    """Say which output failed, unless its reader has simply gone, and keep the interpreter from trying once more."""
    if error.filename is None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if not isinstance(error, BrokenPipeError):
        where = str(error.filename or "standard output")
        explain(error.strerror or str(error), where, "free space, or send the output elsewhere")
    return TROUBLE


class Interrupted(KeyboardInterrupt):
    """Somebody asked for the end.

    Of our own kind: once a plain one has passed through code compiled from text, as dataclasses are, the interpreter
    kills itself by SIGINT in the end, whatever the exit code.
    """


def _interrupt(_number: int, _frame: object) -> None:
    raise Interrupted


if __name__ == "__main__":
    raise SystemExit(program())
