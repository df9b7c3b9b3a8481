"""Run on the virtual board: all chips and lines as the gpiod package sees them, as JSON."""

import json
from pathlib import Path

import gpiod

found = {}
for path in sorted(Path("/dev").glob("gpiochip*")):
    with gpiod.Chip(str(path)) as chip:
        info = chip.get_info()
        lines = []
        for offset in range(info.num_lines):
            line = chip.get_line_info(offset)
            lines.append([line.offset, line.name or "", line.used, line.consumer or "", line.direction.name.lower()])
        found[info.name] = {"label": info.label, "lines": lines}
print(json.dumps(found))
