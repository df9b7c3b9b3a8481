"""Values that a table names: routes, pulse sources. A row of the table is all it takes to allow one more."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import GetCoreSchemaHandler

from edgereply_protocol import ROUTES

# What the agent answers by: its own loops, or the floor program it runs.
OUR_RESPONDERS = ("agent", "floor")


@dataclass(frozen=True, slots=True)
class OneOf:
    """Marks a text as one of these names: checked, said and described to editors like a literal type."""

    names: tuple[str, ...]

    @classmethod
    def of(cls, table: Iterable[str]) -> OneOf:
        """The names of a table's rows, in their order."""
        return cls(tuple(table))

    def __get_pydantic_core_schema__(self, _source: Any, handler: GetCoreSchemaHandler) -> Any:
        return handler.generate_schema(Literal[self.names])


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceKind:
    """One kind of pulse source.

    Attributes:
        module, class_name: imported when the source is chosen.
        needs: what has to be installed for it, as a command; "" where nothing is missing ever.
        port: it is reached by a port that the bench file names.
        by_agent: a board emits, by the agent that runs on it.
        virtual: it emits into software wires.
    """

    module: str
    class_name: str
    needs: str = ""
    port: bool = False
    by_agent: bool = False
    virtual: bool = False


_SERIAL = "pip install pyserial"
SOURCES: dict[str, SourceKind] = {
    "virtual": SourceKind(
        module="edgereply.sources.simulator.source", class_name="VirtualSource", needs=_SERIAL, virtual=True
    ),
    "reference": SourceKind(
        module="edgereply.sources.reference", class_name="ReferenceSource", needs=_SERIAL, port=True
    ),
    "generator": SourceKind(
        module="edgereply.sources.generator", class_name="GeneratorSource", needs=_SERIAL, port=True
    ),
    "counter": SourceKind(module="edgereply.sources.counter", class_name="CounterSource", needs=_SERIAL, port=True),
    "lines": SourceKind(module="edgereply.sources.lines", class_name="LinesSource", needs=_SERIAL, port=True),
    "self": SourceKind(module="edgereply.sources.board", class_name="BoardSource", by_agent=True),
    "board": SourceKind(module="edgereply.sources.board", class_name="BoardSource", by_agent=True),
}


def software_wires(route: object) -> bool:
    """Whether a route, such as a record names it, ends in software wires; False for what is no route of ours."""
    return isinstance(route, str) and route in ROUTES and ROUTES[route].virtual


RouteName = Annotated[str, OneOf.of(ROUTES)]
SourceName = Annotated[str, OneOf.of(SOURCES)]
