from tests.virtual_board.build import build
import sys
print(build(sys.argv[1]))
