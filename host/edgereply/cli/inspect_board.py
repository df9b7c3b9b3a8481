"""`edgereply inspect`: what a board has and what is possible on it."""

from pathlib import Path
from typing import Any

from edgereply.cli.common import (
    BenchOption,
    BoardOption,
    HostArgument,
    JsonOption,
    SshConfigOption,
    TrustOption,
    put_json,
    say,
)
from edgereply.wording.folding import tell

EXAMPLES = ("edgereply inspect gate", "edgereply inspect --bench bench.toml --json")


def command(
    host: HostArgument = "",
    ssh_config: SshConfigOption = "",
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """List chips, lines and routes of a board, its kernel, real-time rights, clocks, temperatures and power."""
    from edgereply.cli.arguments import any_target
    from edgereply.measurement.assembly import open_board

    target = any_target(host, ssh_config, bench, board)
    say(f"opening the board {target.name}")
    with open_board(target.name, target.settings, typed=bool(host)) as client:
        report = client.inspect()
    if as_json:
        put_json(report)
        return
    for line in describe(report):
        tell(line)


def describe(report: dict[str, Any]) -> list[str]:
    """An inspection as lines of text."""
    from edgereply.board.inspection_text import environment_lines

    lines = ["Routes", *_possible(report.get("routes", {}))]
    lines += ["", "Responders", *_possible(report.get("responders", {}))]
    for chip in report.get("chips", []):
        lines += ["", f"Chip {chip.get('name')} ({chip.get('label')}, {chip.get('lines', 0)} lines)"]
        lines += [_line(line) for line in chip.get("line_list", [])]
    for problem in report.get("problems", []):
        lines += ["", f"Chip {problem.get('where')} cannot be read: {problem.get('what')}"]
        lines += [f"  {problem['remedy']}"] if problem.get("remedy") else []
    if not report.get("chips") and not report.get("problems"):
        lines += ["", "Chips", "  none: there is no /dev/gpiochip* on this board"]
    return [*lines, "", "Environment", *environment_lines(report.get("environment", {}))]


def _possible(found: dict[str, Any]) -> list[str]:
    """What can be used, and for what cannot, why and what would help."""
    lines = []
    for name, item in found.items():
        lines.append(f"  {name:<10}" + ("available" if item.get("available") else f"no: {item.get('why')}"))
        if not item.get("available") and item.get("remedy"):
            lines.append(f"  {'':<10}  {item['remedy']}")
    return lines


def _line(line: dict[str, Any]) -> str:
    user = f"used by {line['user']}" if line.get("user") else "used" if line.get("used") else "free"
    from edgereply.board.line_choice import line_facts

    return f"  {line.get('offset', '?'):>4}  {line.get('name') or '(unnamed)':<24} {line_facts(line):<20} {user}"
