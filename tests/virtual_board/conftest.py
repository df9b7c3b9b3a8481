from tests.virtual_board.fixtures import _booted, icount_board, plain_board, rt_board, rt_icount_board

__all__ = ["_booted", "icount_board", "plain_board", "rt_board", "rt_icount_board"]
