"""What every key of a bench file and of a plan file means: for editors, and for the files that `init` writes.

A key that has no line here fails a test, so that none is added without saying what it is.
"""

from __future__ import annotations

from typing import Final

BENCH: Final[dict[str, str]] = {
    "title": "what this bench measures, as it stands on tables and pages",
    "deadline": "the latest answer that is still of use, such as '2ms'",
    "board": "boards under test, a table each under a name of your own, such as [board.gate]",
    "source": "the pulse source of every board that has none of its own",
    "stimulus": "when stimuli come, how long they are, and how many",
}

BOARD: Final[dict[str, str]] = {
    "link": "how it is reached: 'ssh', or 'local' where it is this computer",
    "host": "what you type after ssh",
    "ssh_config": "an ssh configuration file in place of your own",
    "python": "the interpreter on the board; empty: Python 3.9 or later is looked for",
    "responder": "what answers: 'agent' (our loop), 'floor' (our C program), 'external' (firmware of yours, no agent), "
    "'observe' (a program of yours, watched by the agent)",
    "floor_program": "path of the floor program on the board, where it is not built there",
    "route": "how the agent reaches its lines: 'chardev', 'gpiod', 'sysfs', or 'virtual' (software wires)",
    "wait": "how it waits for an edge: 'block' sleeps, 'spin' asks again and again",
    "collection": "when stamps travel: 'stream' while it runs, 'quiet' afterwards",
    "input": "the line that the stimulus arrives on: its name, or 'gpiochip0:17'",
    "output": "the line that the response leaves by: its name, or 'gpiochip0:18'",
    "stimulus_line": "the line that emits stimuli, where the board is a pulse source",
    "capture_line": "the line that captures responses, where the board is a pulse source",
    "capture_fall_line": "a second line that captures where responses end, where the board is a pulse source",
    "stimulus_tap": "a spare line joined to the input by a jumper, for responder 'observe'",
    "response_tap": "a spare line joined to the output by a jumper, for responder 'observe'",
    "response_fall_tap": "a second spare line joined to the output, for pulse widths, for responder 'observe'",
    "hardware_clock": "true asks the kernel for stamps of the input by a clock in hardware, and tells the answer",
    "hold": "how long the program keeps its output high, such as '20us'; '0ns' is as short as it can",
    "realtime": "real-time settings to ask the kernel for",
    "input_limit_v": "the most that the board's input bears, in V",
    "power": "what the board draws, read from a meter, such as '3.1W±0.1'",
    "source": "a pulse source of this board's own, in place of the bench's",
    "load": "load that the agent makes meanwhile, such as 'cpu=2, memory=64M', or 'none'",
    "trace": "true records what the board's kernel did beside late answers, to say who held them up; needs root there",
}

LINE: Final[dict[str, str]] = {
    "chip": "the chip it is on, such as 'gpiochip0'; empty: every chip is searched for the name",
    "line": "its name, or with a chip its offset",
    "active_low": "true where low means active: edges and levels are turned round",
    "bias": "resistor on the board's side: 'as-is', 'pull-up', 'pull-down' or 'disabled'",
}

REALTIME: Final[dict[str, str]] = {
    "fifo_priority": "priority under SCHED_FIFO, 1 to 99; left out: the ordinary scheduler",
    "cpus": "processors it may run on, such as [3]",
    "lock_memory": "true keeps its memory from being swapped out (mlockall)",
    "hold_cpu_latency": "true holds /dev/cpu_dma_latency at 0, so that no processor sleeps deeply",
}

SOURCE: Final[dict[str, str]] = {
    "kind": "what sends the stimuli: 'reference', 'generator', 'counter', 'lines', 'board', 'self' or 'virtual'",
    "port": "what it is on: '/dev/ttyUSB0', 'socket://host:5025', 'rfc2217://host:2217', '/dev/usbtmc0', "
    "'TCPIP::host::INSTR' (which of them, the kind decides)",
    "baud": "bits a second of a serial port; left out: the kind's own",
    "level_v": "the level of its pulses, in V",
    "divider": "true where a divider or level shifter stands between it and the board's input",
    "virtual": "true where no real wire is involved although the kind is a real one",
    "board": "the board that emits, for kind 'board'",
    "tolerance_ppm": "how far its clock may be off, in parts per million, as you know it: of a crystal some 50",
    "serial_number": "its serial number, where the source itself tells none",
    "options": "further settings of the kind, such as count_by of a generator, counter (a port) of a counter",
}

STIMULUS: Final[dict[str, str]] = {
    "pattern": "how intervals are drawn: 'exponential' (random, the fair one), 'uniform' or 'periodic'; 'pairs': "
    "two stimuli a swept gap apart, then a rest, to find how close two edges may be",
    "rate": "stimuli a second on average, such as '200/s'",
    "floor": "the shortest interval of the exponential pattern",
    "spread": "half the range of the uniform pattern",
    "shortest_gap": "the shortest gap of pairs; left out: the shortest that the source can do",
    "longest_gap": "the longest gap of pairs; left out: half the mean interval",
    "width": "how long a stimulus lasts",
    "count": "how many stimuli; instead of dwell",
    "dwell": "for how long, such as '10s'; instead of count",
    "seed": "start of the random sequence; recorded with every run",
    "window": "how long after a stimulus a response may still be its answer where order alone says so",
}

PLAN: Final[dict[str, str]] = {
    "bench": "the bench file that it varies",
    "title": "what the series asks, as it stands on tables and pages",
    "repeats": "rounds: every condition is measured once in each, in random order",
    "order_seed": "start of the random order",
    "count": "stimuli a block; instead of dwell",
    "dwell": "how long a block lasts, such as '10s'; instead of count",
    "warm_up": "measured before each block under the same condition, kept, in no figure",
    "at_once": "false measures one board after another although they could be measured at the same time",
    "give_up_after": "failed blocks in a row that end the sweep",
    "axes": "what is varied; every value of one axis meets every value of the others",
}

AXES: Final[dict[str, str]] = {
    "board": "boards of the bench file",
    "route": "ways to the lines: 'chardev', 'gpiod', 'sysfs'",
    "wait": "how the responder waits: 'block', 'spin'",
    "responder": "what answers: 'agent', 'floor'",
    "load": "loads that the agent makes, such as 'none' and 'cpu=2'",
    "rate": "stimuli a second on average, such as '200/s'",
    "pattern": "arrival patterns: 'exponential', 'uniform', 'periodic', 'pairs'",
    "fifo_priority": "priorities under SCHED_FIFO, 1 to 99, and 'none'",
    "cpus": "processors that the responder may run on: 'any', or numbers such as [3]",
    "hold_cpu_latency": "whether processors are kept from sleeping deeply: false, true",
}

# By the class that checks a table of the file.
TABLES: Final[dict[str, dict[str, str]]] = {
    "Bench": BENCH,
    "Board": BOARD,
    "Line": LINE,
    "Realtime": REALTIME,
    "Source": SOURCE,
    "Stimulus": STIMULUS,
    "SweepPlan": PLAN,
    "Axes": AXES,
}
