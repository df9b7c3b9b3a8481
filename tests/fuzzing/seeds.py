"""Good input for each target, from which the bad is made by small changes."""

from __future__ import annotations

import json
from array import array

import numpy as np

from edgereply.exchange.imports.accept import Labels
from edgereply.exchange.imports.import_files import Wanted, look, read
from edgereply.exchange.imports.waveforms import Settings
from edgereply_protocol import Block, Configure, Connection, Layout, Role, Stamps, Started, encode_message
from edgereply_protocol.plain import pack
from tests.fuzzing import imported
from tests.fuzzing.targets import place, template
from tests.integration.commands import bench_text

PLAN = b'bench = "bench.toml"\nrepeats = 2\ndwell = "2s"\n[axes]\nwait = ["block", "spin"]\nrate = ["500/s"]\n'
SERIES = b'{"format": 1, "tool": "t", "created": "", "board": "gate", "order_seed": 1, "conditions": {}, "blocks": []}'
SETTINGS = {
    "task": "respond", "route": "chardev", "wait": "spin", "hold_ns": 0, "collection": "stream", "capacity": 10,
    "lines": {"input": {"chip": "", "line": "EYE_IN"}, "output": {"chip": "", "line": 5, "active_low": False}},
    "realtime": {"fifo_priority": 5, "cpus": [0]}, "dead_man_s": 30, "period_ns": 1_000_000, "count": 5,
}  # fmt: skip
MANIFEST_TEXT = json.dumps(
    {"format": 1, "tool": "t", "files": [{"name": "runs/gate/run.json", "bytes": 9, "sha256": "0" * 64}]}
).encode()


def _conversation() -> bytes:
    host, agent = Connection(Role.HOST, "h"), Connection(Role.AGENT, "a")
    said = host.send(host.hello())
    agent.receive_data(said)
    agent.next_message()
    answer = agent.send(agent.hello())
    host.receive_data(answer)
    host.next_message()
    return b"\x20Welcome\n" + said + answer + host.send(Configure("respond", SETTINGS))


def _answers() -> Block:
    columns = {name: array("q", [1, 2]) for name in ("edge_ns", "wake_ns", "set_ns", "clear_ns")}
    return Block(Layout.ANSWERS, 0, columns | {name: array("I", [1, 2]) for name in ("seqno", "line_seqno")})


def _records() -> bytes:
    data = b"".join(bytes([kind]) + (1000 * n).to_bytes(4, "little") for n in range(6) for kind in (1, 2, 3))
    return b"#290%b,#10\n" % data


def _imported_record() -> bytes:
    """The record of an import, which has other conditions than a measurement."""
    csv, how = place() / "seed.csv", Settings()
    csv.write_bytes(imported.SCOPE)
    run = place() / "imported"
    if not run.exists():
        look(read([csv], [], how), Wanted(), Labels(), how).accept(run, ["edgereply", "import", "seed.csv"])
    return (run / "run.json").read_bytes()


def seeds() -> dict[str, list[bytes]]:
    """By target; a target that is not here starts from nothing."""
    run = template()
    record = (run / "run.json").read_bytes()
    part = (run / "stamps" / "part-00000.parquet").read_bytes()
    numbers = np.arange(30, dtype="<i8").reshape(10, 3).T * 1_000_000
    return {
        "frames": [_conversation()],
        "messages": [bytes([n]) + encode_message(m) for n, m in ((0, Started(5)), (5, Stamps(_answers())))],
        "agent_settings": [pack(SETTINGS)],
        "scpi_answers": [b"edgereply,pulse source virtual,V1,1.0\n", b'-222,"Data out of range"\n', b"1.6E7\n"],
        "scpi_blocks": [_records()],
        "bench_file": [bench_text().encode()],
        "plan_file": [PLAN],
        "run_json": [record, _imported_record()],
        "run_page": [record],
        "parquet": [part],
        "context": [b'{"board_ns": 5, "interrupts": 7}\n' * 3],
        "stamps": [np.ascontiguousarray(numbers).tobytes()],
        "series_json": [SERIES],
        "scope_csv": [imported.SCOPE, imported.EUROPEAN],
        "levels_csv": [imported.LEVELS],
        "binary": list(imported.binaries()),
        "vcd": [imported.VCD],
        "power_csv": [imported.POWER],
        "archive": [imported.packed(MANIFEST_TEXT, record)],
        "bundled": [MANIFEST_TEXT + b"\0\0\0" + record],
        "typed": [b"p99.9 within 5%", b"median worse by 10%"],
    }
