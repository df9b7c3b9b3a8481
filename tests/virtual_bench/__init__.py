"""The whole bench on a real kernel: the real command line, real ssh, the agent, and real GPIO lines on a virtual board.

Times counted in instructions (`icount_board`) hardly depend on what else the computer does, so every stimulus is
answered even beside other work. Everything measured here is virtual.
"""
