"""`edgereply deploy`: the agent onto a board, over ssh."""

from pathlib import Path
from typing import Annotated

import typer

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
from edgereply_protocol import Hello

EXAMPLES = ("edgereply deploy gate", "edgereply deploy gate --remove")


def command(
    host: HostArgument = "",
    ssh_config: SshConfigOption = "",
    bench: BenchOption = Path("bench.toml"),
    board: BoardOption = "",
    remove: Annotated[bool, typer.Option("--remove", help="Remove every version of the agent from the board.")] = False,
    trust: TrustOption = False,
    as_json: JsonOption = False,
) -> None:
    """Copy the agent to a board (nothing when it is there already), start it, and say what is possible there."""
    from edgereply.board.bundle import build_bundle
    from edgereply.board.client import BoardClient
    from edgereply.board.ssh import remove_over_ssh, start_over_ssh
    from edgereply.cli.arguments import ssh_target
    from edgereply.config.trust import require_trust

    found = ssh_target(host, ssh_config, bench, board)
    target = found.settings
    if not host:
        require_trust(found.name, target)
    if remove:
        removed = remove_over_ssh(target.host, target.python, target.ssh_config)
        if as_json:
            put_json({"host": target.host, "removed": removed})
        say(f"removed from {target.host}: {', '.join(removed) or 'nothing was there'}")
        return
    link = start_over_ssh(target.host, build_bundle(), target.python, target.ssh_config)
    client = BoardClient(link)
    try:
        hello = client.greet()
    finally:
        client.close()
    put = link.installed
    if as_json:
        put_json(
            {"host": target.host, "path": put.path, "copied": put.copied, "passed_over": put.passed_over,
             "python": put.python, "python_version": list(put.version), "agent": hello.software,
             "capabilities": hello.capabilities, "environment": hello.environment}
        )  # fmt: skip
    for reason in put.passed_over:
        say(f"passed over {reason}")
    say(f"{'copied to' if put.copied else 'already at'} {target.host}:{put.path}")
    say(f"{hello.software} says hello, Python {'.'.join(map(str, put.version))} ({put.python})")
    for line in possible_lines(hello):
        say(line)


def possible_lines(hello: Hello) -> list[str]:
    """The routes of a board, and for what cannot be used, why and what would help."""
    lines = []
    for name, route in hello.capabilities.get("routes", {}).items():
        state = "available" if route.get("available") else f"not available: {route.get('why')}; {route.get('remedy')}"
        lines.append(f"route {name}: {state}")
    return lines
