"""Checks of the GPIO character device, run on the virtual board: standard library only, kernel uAPI v2.

gpio_check.py list                              lines of every chip, as JSON
gpio_check.py edges OUTPUT INPUT COUNT          drives OUTPUT, counts what arrives at INPUT; JSON
gpio_check.py levels OUTPUT INPUT...            levels of the inputs with OUTPUT low, then high; JSON
"""

import fcntl
import json
import os
import select
import struct
import sys
from pathlib import Path

GET_CHIPINFO = 0x8044B401
GET_LINEINFO = 0xC100B405
GET_LINE = 0xC250B407
GET_VALUES = 0xC010B40E
SET_VALUES = 0xC010B40F
INPUT, OUTPUT, RISING, FALLING = 1 << 2, 1 << 3, 1 << 4, 1 << 5
LABEL = "reject-gate"
WAIT_S = 1.0


def text(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode()


def chip_paths() -> list[str]:
    return sorted(str(path) for path in Path("/dev").glob("gpiochip*"))


def chip_lines(path: str) -> dict[str, object]:
    chip = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    try:
        name, label, count = struct.unpack("32s32sI", fcntl.ioctl(chip, GET_CHIPINFO, bytes(68)))
        lines = []
        for offset in range(count):
            info = fcntl.ioctl(chip, GET_LINEINFO, bytes(64) + struct.pack("I", offset) + bytes(188))
            flags = struct.unpack_from("Q", info, 72)[0]
            lines.append({"name": text(info[:32]), "consumer": text(info[32:64]), "flags": flags})
    finally:
        os.close(chip)
    return {"path": path, "name": text(name), "label": text(label), "lines": lines}


def request(line_name: str, flags: int) -> int:
    for path in chip_paths():
        found = chip_lines(path)
        names = [line["name"] for line in found["lines"]]  # type: ignore[attr-defined]
        if found["label"] != LABEL or line_name not in names:
            continue
        chip = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        config = struct.pack("QI20x", flags, 0) + bytes(240)
        offsets = struct.pack("64I", names.index(line_name), *[0] * 63)
        wanted = offsets + struct.pack("32s", b"check") + config + struct.pack("II20xi", 1, 1024, 0)
        answer = fcntl.ioctl(chip, GET_LINE, wanted)
        os.close(chip)
        return int(struct.unpack_from("i", answer, 588)[0])
    raise SystemExit("no line " + line_name)


def put(line: int, level: int) -> None:
    fcntl.ioctl(line, SET_VALUES, struct.pack("QQ", level, 1))


def get(line: int) -> int:
    return int(struct.unpack("QQ", fcntl.ioctl(line, GET_VALUES, struct.pack("QQ", 0, 1)))[0] & 1)


def edges(output_name: str, input_name: str, count: int) -> dict[str, object]:
    output, watched = request(output_name, OUTPUT), request(input_name, INPUT | RISING | FALLING)
    kinds: list[int] = []
    after: list[int] = []
    for turn in range(count):
        level = 1 - turn % 2
        put(output, level)
        if select.select([watched], [], [], WAIT_S)[0]:
            kinds.append(struct.unpack_from("QI", os.read(watched, 48))[1])
        after.append(get(watched))
    extra = bool(select.select([watched], [], [], 0.05)[0])
    return {"kinds": kinds, "levels": after, "extra": extra}


def levels(output_name: str, inputs: list[str]) -> dict[str, list[int]]:
    output = request(output_name, OUTPUT)
    lines = [request(name, INPUT) for name in inputs]
    seen: dict[str, list[int]] = {name: [] for name in inputs}
    for level in (0, 1):
        put(output, level)
        for name, line in zip(inputs, lines, strict=True):
            seen[name].append(get(line))
    return seen


def main(arguments: list[str]) -> None:
    if arguments[0] == "list":
        print(json.dumps([chip_lines(path) for path in chip_paths()]))
    elif arguments[0] == "edges":
        print(json.dumps(edges(arguments[1], arguments[2], int(arguments[3]))))
    else:
        print(json.dumps(levels(arguments[1], arguments[2:])))


if __name__ == "__main__":
    main(sys.argv[1:])
