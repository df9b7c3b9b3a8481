"""Which boards can be measured at the same time: those that share neither a pulse source nor a computer."""

import os
from collections.abc import Mapping

from edgereply.config.choices import SOURCES
from edgereply.config.settings import Bench


def lanes(benches: Mapping[str, Bench]) -> list[list[str]]:
    """Groups of boards; the boards of a group take turns, groups need not wait for each other.

    Args:
        benches: by board.

    Returns:
        Every board once, in the order given.
    """
    found: list[tuple[list[str], set[str]]] = []
    for board, bench in benches.items():
        names, things = [board], devices(bench, board)
        for group in [group for group in found if group[1] & things]:
            found.remove(group)
            names, things = group[0] + names, things | group[1]
        found.append((names, things))
    order = list(benches)
    return sorted((sorted(names, key=order.index) for names, _ in found), key=lambda names: order.index(names[0]))


def devices(bench: Bench, name: str) -> set[str]:
    """What a board needs to itself while it is measured."""
    board, source = bench.board[name], bench.source_of(name)
    used = set() if board.responder == "external" and source.kind != "self" else {_computer(bench, name)}
    if source.port:
        return used | {f"port {os.path.realpath(source.port)}"}
    if source.kind == "board":
        return used | {_computer(bench, source.board)} if source.board in bench.board else used
    if SOURCES[source.kind].virtual and board.source is None:
        return used | {"the bench's virtual source"}
    return used


def _computer(bench: Bench, name: str) -> str:
    board = bench.board[name]
    return "this computer" if board.link == "local" else f"host {board.host} of {board.ssh_config}"
