"""What is wrong with a user's file, said so that it can be found and mended: file, line, key, sentence."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args, get_origin

from pydantic import BaseModel, ValidationError

from catchpot.errors import CatchpotError
from catchpot.workshop.locate import KeyPath, key_lines, line_of


class Problem(NamedTuple):
    """One thing wrong in a file. line 0: no line can be named.

    error: the file can't be used. row: one row of a ledger is set aside, the rest goes on. A warning stops nothing.
    """

    file: str
    line: int
    key: str
    message: str
    severity: Literal["error", "row", "warning"] = "error"

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return ": ".join(part for part in (where, self.key, self.message) if part)


class WorkshopError(CatchpotError):
    """A workshop that can't be opened; `problems` holds everything found, not only the first."""

    status = 2

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = tuple(problems)

    def lines(self) -> list[str]:
        """One line a problem."""
        return [str(p) for p in self.problems]


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The nearest known word as an addition to a message, or nothing.

    >>> did_you_mean("flow_l_mn", ["flow_l_min", "t_s"])
    ' (did you mean flow_l_min?)'
    """
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" (did you mean {near[0]}?)" if near else ""


def _inner_model(annotation: Any) -> Any:
    """The annotation without `| None`."""
    if get_origin(annotation) is not None and type(None) in get_args(annotation):
        rest = [a for a in get_args(annotation) if a is not type(None)]
        return rest[0] if len(rest) == 1 else annotation
    return annotation


def _keys_at(model: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """Keys that the model knows in the table at this path."""
    at: Any = model
    for part in path:
        at = _inner_model(at)
        if isinstance(at, type) and issubclass(at, BaseModel):
            names = {(f.alias or n): f for n, f in at.model_fields.items()}
            if part not in names:
                return []
            at = names[str(part)].annotation
        else:
            args = get_args(at)
            if not args:
                return []
            at = args[-1] if get_origin(at) is dict else args[0]
    at = _inner_model(at)
    if isinstance(at, type) and issubclass(at, BaseModel):
        return [f.alias or n for n, f in at.model_fields.items()]
    return []


def _shown(value: Any) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _sentence(error: Mapping[str, Any], model: type[BaseModel]) -> str:
    kind, given, ctx = error["type"], error.get("input"), error.get("ctx") or {}
    if kind == "extra_forbidden":
        *table, key = error["loc"]
        return f"unknown key{did_you_mean(str(key), _keys_at(model, table))}"
    if kind == "missing":
        return "this key is needed and is missing"
    expected = {
        "float_type": "a number",
        "float_parsing": "a number",
        "int_type": "a whole number",
        "int_parsing": "a whole number",
        "string_type": "text in quotes",
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "dict_type": "a table",
        "model_type": "a table",
        "model_attributes_type": "a table",
        "list_type": "a list",
        "finite_number": "a finite number",
    }.get(kind)
    if expected:
        return f"expected {expected}, found {_shown(given)}"
    if kind == "literal_error":
        words = str(ctx.get("expected", ""))
        near = did_you_mean(str(given), words.replace("'", "").replace(" or ", ", ").split(", "))
        return f"expected {words}, found {_shown(given)}{near}"
    bounds = {
        "greater_than": ("gt", "more than"),
        "greater_than_equal": ("ge", "at least"),
        "less_than": ("lt", "less than"),
        "less_than_equal": ("le", "at most"),
    }
    if kind in bounds:
        name, words = bounds[kind]
        return f"must be {words} {ctx[name]:g}, found {_shown(given)}"
    message = str(error["msg"])
    return message.removeprefix("Value error, ")


def key_text(path: Iterable[str | int]) -> str:
    """A path as people write it in TOML.

    >>> key_text(("moulds", "hatch-3", "changes", 0, "resin"))
    'moulds.hatch-3.changes[0].resin'
    """
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def problems_of(
    error: ValidationError, model: type[BaseModel], file: str, lines: Mapping[KeyPath, int], base: KeyPath = ()
) -> list[Problem]:
    """Every error of a validation as a problem with its line; base: where the validated table stands in the file."""
    found = []
    for e in error.errors():
        key = (e.get("ctx") or {}).get("key")
        path: KeyPath = (*base, *e["loc"], *((key,) if key else ()))
        found.append(Problem(file, line_of(lines, path), key_text(path), _sentence(e, model)))
    return sorted(found, key=lambda p: p.line)


def read_toml(path: Path, missing: str) -> tuple[dict[str, Any], Mapping[KeyPath, int]]:
    """A TOML file's content and the lines of its keys; WorkshopError where it is missing or not TOML."""
    file = str(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise WorkshopError([Problem(file, 0, "", missing)]) from None
    except UnicodeDecodeError as e:
        line = path.read_bytes()[: e.start].count(b"\n") + 1
        raise WorkshopError([Problem(file, line, "", "this is not UTF-8 text; save the file as UTF-8")]) from None
    except OSError as e:
        raise WorkshopError([Problem(file, 0, "", f"can't be read: {e.strerror}")]) from None
    try:
        return tomllib.loads(text), key_lines(text.replace("\r\n", "\n"))
    except RecursionError:
        raise WorkshopError([Problem(file, 0, "", "tables or lists stand too deep in one another")]) from None
    except tomllib.TOMLDecodeError as e:
        words, _, where = str(e).partition(" (at ")
        digits = "".join(c if c.isdigit() else " " for c in where).split()
        line = int(digits[0]) if digits else text.rstrip().count("\n") + 1
        message = f"not valid TOML: {words[:1].lower()}{words[1:]}; text stands in quotes, numbers use a decimal point"
        raise WorkshopError([Problem(file, line, "", message)]) from None
