"""`edgereply schema`: the JSON schema of bench and plan files, for editors."""

import json
from pathlib import Path
from typing import Annotated, Literal

import typer

EXAMPLES = ("edgereply schema bench --out bench.schema.json",)


def command(
    kind: Annotated[Literal["bench", "plan"], typer.Argument(help="Which file it describes.")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File to write; without it stdout.", metavar="FILE")
    ] = None,
) -> None:
    """Write the JSON schema of a bench file or of a sweep's plan file: every key, what it means, what it takes.

    Editors that know TOML find it by a first line such as '#:schema ./bench.schema.json'.
    """
    from edgereply.config.schema import schema
    from edgereply.errors import StoreError
    from edgereply.wording.screen import put

    text = json.dumps(schema(kind), indent=1, ensure_ascii=False) + "\n"
    if out is None:
        put(text, end="")
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise StoreError(
            f"cannot be written: {error.strerror}", where=str(out), remedy="check the directory"
        ) from error
