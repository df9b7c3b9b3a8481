"""JSON schemas of the bench file and of the plan file, made from what checks them, for editors that know TOML.

An editor finds the schema by the first line of a file, `#:schema ./bench.schema.json`, and then completes keys, shows
what they mean and marks what is wrong while one types. What only the program can tell, such as two keys that exclude
each other, it still tells when the file is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from edgereply.config import plan_file, settings
from edgereply.config.descriptions import TABLES
from edgereply.config.field_types import RATE_TEXT, TIME_TEXT
from edgereply.wording.units import rate_words, time_words

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
# What a file of each kind is checked by, and what it is called in a sentence.
KINDS: Final[dict[str, tuple[type[BaseModel], str]]] = {
    "bench": (settings.Bench, "bench file"),
    "plan": (plan_file.SweepPlan, "plan file of a sweep"),
}


def schema_name(kind: str) -> str:
    """Name of the file that a schema is kept in, beside the files that name it."""
    return f"{kind}.schema.json"


def first_line(kind: str) -> str:
    """The line by which a TOML file names its schema."""
    return f"#:schema ./{schema_name(kind)}"


def schema(kind: str) -> dict[str, Any]:
    """The schema of a kind of file.

    Args:
        kind: of `KINDS`.

    Returns:
        A JSON schema (draft 2020-12), every key of it described.
    """
    model, what = KINDS[kind]
    found = model.model_json_schema(schema_generator=_AsWritten)
    for name, table in ((model.__name__, found), *found.get("$defs", {}).items()):
        _describe(name, table)
    return {"$schema": DIALECT, "title": f"edgereply: {what}", **{k: v for k, v in found.items() if k != "title"}}


def keys(kind: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key of a schema, as `Table.key`, with what the schema says about it."""
    found = schema(kind)
    for name, table in ((KINDS[kind][0].__name__, found), *found.get("$defs", {}).items()):
        for key, about in table.get("properties", {}).items():
            yield f"{name}.{key}", about


class _AsWritten(GenerateJsonSchema):
    """Text that is read into something else is described as the text."""

    def function_before_schema(self, schema: Any) -> JsonSchemaValue:
        inside = super().function_before_schema(schema)
        # A line: a table of its own, or for short its name.
        return (
            {"anyOf": [{"type": "string", "examples": ["EYE_IN", "gpiochip0:17"]}, inside]}
            if "$ref" in inside
            else inside
        )


def _describe(name: str, table: dict[str, Any]) -> None:
    """Put the descriptions in, and take out what the generator makes of names and values inside."""
    model = _models()[name]
    table.pop("title", None)
    table["description"] = " ".join((model.__doc__ or "").split("\n\n")[0].split())
    for key, about in table["properties"].items():
        about.pop("title", None)
        about["description"] = TABLES[name][key]
        _without_null(about)
        if (default := about.pop("default", None)) not in (None, "", {}):
            about.update(_default(about, default))


def _without_null(about: dict[str, Any]) -> None:
    """TOML has no null: a key that may have no value is left out."""
    forms = [form for form in about.get("anyOf", ()) if form != {"type": "null"}]
    if len(forms) == 1:
        del about["anyOf"]
        about.update(forms[0])


def _default(about: dict[str, Any], value: Any) -> dict[str, Any]:
    """A default as it would be written in the file; none where that would only repeat the tables inside."""
    if isinstance(value, dict):
        return {}
    if isinstance(value, int) and about.get("pattern") == TIME_TEXT["pattern"]:
        return {"default": time_words(value)}
    if isinstance(value, int) and about.get("pattern") == RATE_TEXT["pattern"]:
        return {"default": rate_words(value).replace(",", "")}
    return {"default": value}


def _models() -> dict[str, type[BaseModel]]:
    found: list[type[BaseModel]] = [settings.Bench, settings.Board, settings.Line, settings.Realtime, settings.Source,
                                    settings.Stimulus, plan_file.SweepPlan, plan_file.Axes]  # fmt: skip
    return {model.__name__: model for model in found}
