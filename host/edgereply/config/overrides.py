"""Command-line options laid over a bench file, and the names that follow from settings."""

import copy
import shlex
from datetime import datetime
from pathlib import Path
from typing import Any

from edgereply.config.bench_file import parse_bench
from edgereply.config.settings import Bench
from edgereply.wording.units import parse_rate_period_ns

Options = dict[str, Any]


def override(
    data: Options, where: str, board: str, on_board: Options, realtime: Options, stimulus: Options, top: Options
) -> Bench:
    """A bench with options in place of what its file says; options that are None change nothing.

    Args:
        data: contents of the bench file.
        where: the file's name, for messages.
        board: the board that `on_board` and `realtime` are about; "" for the only one.

    Raises:
        SettingError: the file or an option is wrong, named by its key; or the board is unknown.
    """
    bench = parse_bench(data, where)
    name, _ = bench.pick(board)
    on_board, realtime, stimulus, top = (
        {key: value for key, value in options.items() if value is not None}
        for options in (on_board, realtime, stimulus, top)
    )
    if not (on_board or realtime or stimulus or top):
        return bench
    data = lay_stimulus(data, where, stimulus)
    data["board"][name].update(on_board)
    if realtime:
        data["board"][name].setdefault("realtime", {}).update(realtime)
    data.update(top)
    return parse_bench(data, f"{where} and the options given")


def lay_stimulus(data: Options, where: str, stimulus: Options) -> Options:
    """Contents of a bench file with stimulus options laid over; the given contents stay as they are.

    A count takes the place of a dwell and the other way round; a faster rate brings the floor down with it.

    Raises:
        SettingError: the file is wrong.
    """
    stimulus = {key: value for key, value in stimulus.items() if value is not None}
    floor_ns = parse_bench(data, where).stimulus.floor
    data = copy.deepcopy(data)
    section = data.setdefault("stimulus", {})
    for one, other in (("count", "dwell"), ("dwell", "count")):
        if one in stimulus:
            section.pop(other, None)
    if "rate" in stimulus:
        section.update(_fitting_floor(floor_ns, stimulus["rate"]))
    section.update(stimulus)
    return data


def run_directory(bench: Bench, board: str) -> Path:
    """Where a run goes when no directory is named: runs/TIME-BOARD-ROUTE-WAIT."""
    name, settings = bench.pick(board)
    stamp = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S-%f")[:-3]
    safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in name)
    how = f"{settings.route}-{settings.wait}" if settings.ours else settings.responder
    if settings.responder == "floor":
        how += "-floor"
    return Path("runs") / f"{stamp}-{safe}-{how}"


def typed_command(argv: list[str]) -> list[str]:
    """The command line as a person would type it again; whom somebody else trusts is for them to say."""
    return [shlex.join(["edgereply", *(word for word in argv[1:] if word != "--trust")])]


def _fitting_floor(floor_ns: int, rate: str) -> Options:
    try:
        half_ns = parse_rate_period_ns(rate) // 2
    except ValueError:
        return {}
    return {"floor": f"{half_ns}ns"} if half_ns < floor_ns else {}
