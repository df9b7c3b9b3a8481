"""Where the interpreter's instructions go between a read's return and the write of the output.

Run: .venv/bin/python -m tests.benchmarks.interpreter_share       (needs valgrind: apt-get install valgrind)

valgrind counts the instructions of one call as the hot loop makes it, by function: the same call 300 and 1,300 times,
the difference divided by 1,000, less an empty loop. The kernel's share is not in it. The call asks a pipe how much it
holds, which takes an ioctl with a buffer as setting a level does, and no GPIO.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.tools import need

FEW, MANY = 300, 1_300
SCRIPT = """
import fcntl, gc, os, sys, time
from functools import partial
source, sink = os.pipe()
calls = {"clock": time.monotonic_ns, "ioctl": partial(fcntl.ioctl, source, 0x541B, bytearray(16))}
call = calls.get(sys.argv[1])
def loop(n):
    while n:
        call()
        n -= 1
def empty(n):
    while n:
        n -= 1
gc.collect(), gc.disable(), gc.freeze()
(loop if call else empty)(int(sys.argv[2]))
"""
ROW = re.compile(r"\s*([\d,]+)\s*\(.*?\)\s+(.*)")
GROUPS = {
    "taking the interpreter's lock and giving it up": r"gil|pthread_|clock_gettime",
    "checking and converting arguments": r"getarg|convert|fcntl_ioctl|PyBuffer|Buffer|as_file|AsFile|long_As|PyLong_As",
    "audit hook": r"[Aa]udit",
    "running the loop and calling": r"EvalFrame|vectorcall|Vectorcall|partial|cfunction|Check|Call",
}


def counted(call: str, times: int, folder: Path) -> dict[str, int]:
    """Instructions of a whole run by function; the sum is under "total"."""
    out = folder / f"{call}.{times}"
    command = ["valgrind", "--tool=callgrind", f"--callgrind-out-file={out}", sys.executable, "-I", "-S", "-c", SCRIPT]
    subprocess.run([*command, call, str(times)], check=True, capture_output=True, timeout=300)
    annotate = ["callgrind_annotate", "--threshold=100", str(out)]
    text = subprocess.run(annotate, check=True, capture_output=True, text=True, timeout=300).stdout
    found: dict[str, int] = {"total": 0}
    for line in text.splitlines():
        if (row := ROW.match(line)) and "PROGRAM TOTALS" not in line:
            name = row[2].split(" [")[0].split(":")[-1]
            found[name] = found.get(name, 0) + int(row[1].replace(",", ""))
            found["total"] += int(row[1].replace(",", ""))
    return found


def per_call(call: str, folder: Path) -> dict[str, float]:
    """Instructions of one call by function."""
    few, many = counted(call, FEW, folder), counted(call, MANY, folder)
    return {name: (many[name] - few.get(name, 0)) / (MANY - FEW) for name in many}


def main() -> None:
    """Count and print."""
    need("valgrind", "valgrind")
    with tempfile.TemporaryDirectory() as place:
        empty, clock, ioctl = (per_call(call, Path(place)) for call in ("empty", "clock", "ioctl"))
    print(f"Python {sys.version.split()[0]}, instructions outside the kernel for one call")
    print(f"{clock['total'] - empty['total']:8.0f}  reading the clock")
    print(f"{ioctl['total'] - empty['total']:8.0f}  setting a level by ioctl, of these")
    left = {name: count - empty.get(name, 0) for name, count in ioctl.items() if name != "total"}
    for words, pattern in GROUPS.items():
        names = [name for name in left if re.search(pattern, name)]
        print(f"{sum(left.pop(name) for name in names):12.0f}  {words}")
    print(f"{sum(left.values()):12.0f}  the rest")


if __name__ == "__main__":
    main()
