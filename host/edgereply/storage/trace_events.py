"""The kernel's events beside late answers as columns: a row an event, with the answer it stands beside."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Int64s, Uint8s, Uint32s

Words = NDArray[np.object_]
_TYPES: Final[dict[str, Any]] = {
    "edge_ns": np.int64, "set_ns": np.int64, "late": np.uint8, "whole": np.uint8, "pid": np.uint32, "at_ns": np.int64,
    "kind": np.uint8, "cpu": np.uint32, "number": np.uint32, "priority": np.uint32, "name": object,
    "before": np.uint32, "before_priority": np.uint32, "before_state": np.uint32, "before_name": object,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class TraceEvents:
    """Rows of one length, the board's clock, int64 nanoseconds.

    `edge_ns` and `set_ns` are of the answer that the event stands beside; `late` is 1 where that was late, 0 where it
    is kept to compare with; `whole` is 1 where none of its events is missing; `pid` is the process that answers, 0
    where nobody knows. `kind` and what the others mean for it: `edgereply_protocol.TraceKind`; names are text. An
    answer beside which nothing happened has one row of kind NONE.
    """

    edge_ns: Int64s
    set_ns: Int64s
    late: Uint8s
    whole: Uint8s
    pid: Uint32s
    at_ns: Int64s
    kind: Uint8s
    cpu: Uint32s
    number: Uint32s
    priority: Uint32s
    name: Words
    before: Uint32s
    before_priority: Uint32s
    before_state: Uint32s
    before_name: Words

    @classmethod
    def concatenate(cls, parts: Sequence[Self]) -> Self:
        """Rows of all parts in order."""
        return cls(
            *(
                np.concatenate([np.empty(0, dtype), *(getattr(part, name) for part in parts)]).astype(dtype, copy=False)
                for name, dtype in _TYPES.items()
            )
        )

    def columns(self) -> tuple[NDArray[Any], ...]:
        """All columns in their order."""
        return tuple(getattr(self, item.name) for item in fields(self))
