"""The virtual board: a real Debian kernel in an emulator, with simulated lines, jumper wires and a pulse source."""

from tests.virtual_board.board import DEFAULT_WIRES, SELF_WIRES, VirtualBoard
from tests.virtual_board.errors import BoardError, BuildError, PackagesMissingError, VirtualBoardError

__all__ = [
    "DEFAULT_WIRES",
    "SELF_WIRES",
    "BoardError",
    "BuildError",
    "PackagesMissingError",
    "VirtualBoard",
    "VirtualBoardError",
]
