"""What is wrong with the keys of a file, in words: where, what was given, which key a misspelt one was meant to be."""

from difflib import get_close_matches
from typing import Any, TypeGuard, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from edgereply.errors import SettingError

Model = TypeVar("Model", bound=BaseModel)


def checked(model: type[Model], data: dict[str, Any], kind: str, where: str) -> Model:
    """Check the contents of a file that people write.

    Args:
        model: what it should be.
        data: what it holds.
        kind: what the file is, such as "bench file".
        where: the file.

    Raises:
        SettingError: each offending key with its value and what is allowed.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = explain_validation(error, model)
        lines = "\n".join(f"  {line}" for line in found)
        count = f"{len(found)} error{'' if len(found) == 1 else 's'}"
        raise SettingError(f"{kind}: {count}\n{lines}", where=where, remedy="correct the keys named above") from error


def explain_validation(error: ValidationError, model: type[BaseModel] | None = None) -> list[str]:
    """One line for each wrong key: where, what was given, what is allowed.

    Args:
        error: what pydantic found.
        model: what was checked, for files that people write: the key that an unknown one was meant to be is said.
    """
    lines = []
    for item in error.errors(include_url=False):
        key = ".".join(str(part) for part in item["loc"]) or "(top level)"
        message = item["msg"].removeprefix("Value error, ")
        if item["type"] == "extra_forbidden":
            message = "unknown key" + ("" if model is None else meant(model, item["loc"]))
        elif item["type"] == "missing":
            message = "is missing"
        given = item["input"]
        shown = "" if isinstance(given, dict | BaseModel) or item["type"] == "missing" else f" = {str(given)[:60]!r}"
        lines.append(f"{key}{shown}: {message}")
    return lines


def meant(model: type[BaseModel], place: tuple[int | str, ...]) -> str:
    """The known key that is nearest to an unknown one.

    Args:
        model: what the whole was checked against.
        place: of the unknown key in it, such as ("board", "gate", "rout").

    Returns:
        Such as "; did you mean 'route'?", or "" where none is near.
    """
    found: Any = model
    for part in place[:-1]:
        if found is None:
            return ""
        if _is_model(found):
            field = found.model_fields.get(str(part))
            found = None if field is None else _inside(field.annotation)
        else:
            (found,) = found  # a table of tables: this part is the name that somebody chose
    if not _is_model(found):
        return ""
    near = get_close_matches(str(place[-1]), list(found.model_fields), 1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _inside(annotation: Any) -> Any:
    """A model, in a tuple of one where it is the value of a table; None for anything else."""
    if _is_model(annotation):
        return annotation
    for part in get_args(annotation):
        if (found := _inside(part)) is not None:
            return (found,) if get_origin(annotation) is dict else found
    return None


def _is_model(value: Any) -> TypeGuard[type[BaseModel]]:
    return isinstance(value, type) and issubclass(value, BaseModel)
