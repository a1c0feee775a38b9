"""YAML files checked against a pydantic model, with the place of every mistake.

    file:line:column: path.in.the.file: what is wrong

All mistakes of a file are told at once, as one `InputError`. Device profiles, scenarios, plans and
every other YAML file that crosses the border of the program come in through `load_yaml_model`.

Rules:

1. YAML 1.2: ``no``, ``on``, ``12:30`` are texts, ``010`` is ten; a key written twice is a mistake.
2. UTF-8 only, no larger than a limit. Aliases may not blow the document up.
3. Only plain data: a tag that would make any other object is a mistake.
4. Text of the file that is quoted in a message is made safe to show first.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedBase, CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from busprobe.model.device_text import visible
from busprobe.model.errors import InputError

M = TypeVar("M", bound=BaseModel)

# The round-trip loader takes about 0.1 ms a line (measured): a file of this size stays below 1 s.
# Common practice, no source.
LARGEST_BYTES = 256 * 1024
# A document within the size limit has fewer values than this unless its aliases multiply.
MOST_VALUES = 100_000
DEEPEST = 40
MOST_MISTAKES = 50

_LONGEST_VALUE = 60
_WORDS = {
    "missing": "is missing",
    "extra_forbidden": "is not a key that is known here",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "finite_number": "must be a finite number",
    "string_type": "must be text (put it in quotation marks)",
    "list_type": "must be a list",
    "tuple_type": "must be a list",
    "dict_type": "must be a mapping of keys to values",
    "model_type": "must be a mapping of keys to values",
    "model_attributes_type": "must be a mapping of keys to values",
}


class _Mistake(Exception):
    """A mistake found before the model sees the data, with its place (from 0) where known."""

    def __init__(self, text: str, place: tuple[int, int] | None = None) -> None:
        super().__init__(text)
        self.text = text
        self.place = place


def _item_place(node: CommentedMap | CommentedSeq, part: Any) -> tuple[int, int] | None:
    """Where a value of a mapping or list starts; None for one that came in by a merge key."""
    try:
        found = node.lc.value(part) if isinstance(node, CommentedMap) else node.lc.item(part)
    except (KeyError, TypeError, AttributeError, IndexError):
        return None
    return None if found is None or found[0] is None else (found[0], found[1])


def _plain(node: Any, depth: int, budget: list[int], place: tuple[int, int] | None) -> Any:
    """Strip the round-trip types, so that the model sees nothing but plain data."""
    budget[0] -= 1
    if budget[0] < 0:
        raise _Mistake(f"holds more than {MOST_VALUES} values once its aliases are followed")
    if depth > DEEPEST:
        raise _Mistake(f"is nested deeper than {DEEPEST} levels", place)
    if isinstance(node, CommentedMap):
        return {
            _plain(key, depth + 1, budget, place): _plain(
                value, depth + 1, budget, _item_place(node, key) or place
            )
            for key, value in node.items()
        }
    if isinstance(node, CommentedSeq):
        return [
            _plain(item, depth + 1, budget, _item_place(node, index) or place)
            for index, item in enumerate(node)
        ]
    if node is None or isinstance(node, bool):
        return node
    # The round-trip scalars are subclasses that remember how they were written.
    for kind in (int, float, str):
        if isinstance(node, kind):
            return kind(node)
    if isinstance(node, date):
        return node
    raise _Mistake("has a tag that makes it something else than plain data", place)


def _parse(text: str) -> Any:
    yaml = YAML(typ="rt")
    yaml.allow_duplicate_keys = False
    try:
        return yaml.load(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        words = " ".join(part.strip() for part in (error.context, error.problem) if part)
        first_line = words.splitlines()[0] if words else "is not YAML"
        raise _Mistake(first_line, (mark.line, mark.column) if mark else None) from None
    except RecursionError:
        raise _Mistake("is nested too deeply") from None
    except (YAMLError, ValueError) as error:
        lines = str(error).splitlines()
        raise _Mistake(lines[0] if lines else "is not YAML") from None


def _place(
    tree: Any, location: Sequence[int | str], kind: str
) -> tuple[tuple[int, int], list[str]]:
    """Where in the file a location of pydantic lies.

    Parts of the location that are no keys (the tag or type of a union) are skipped.

    Returns:
        Line and column from 0, and the path in the words of the file.
    """
    node = tree
    place = (node.lc.line, node.lc.col) if isinstance(node, CommentedBase) else (0, 0)
    path: list[str] = []
    for index, part in enumerate(location):
        last = index == len(location) - 1
        in_map = isinstance(node, CommentedMap) and part in node
        in_list = isinstance(node, CommentedSeq) and isinstance(part, int) and part < len(node)
        if not (in_map or in_list):
            if last and kind == "missing":
                path.append(str(part))
            continue
        if last and in_map and (kind == "extra_forbidden" or node[part] is None):
            place = node.lc.key(part) or place
        else:
            place = _item_place(node, part) or place
        node = node[part]
        path.append(str(part))
    return place, path


def _words(error: ErrorDetails) -> str:
    kind = error["type"]
    if kind in ("value_error", "assertion_error") and "error" in error.get("ctx", {}):
        return str(error["ctx"]["error"])
    known = _WORDS.get(kind)
    text = known if known is not None else error["msg"][:1].lower() + error["msg"][1:]
    given = error["input"]
    if kind in ("missing", "extra_forbidden") or isinstance(given, dict | list):
        return text
    if given is None:
        return f"{text}, but nothing is given"
    # A file of another kind is one long value.
    shown = (
        repr(given) if len(repr(given)) <= _LONGEST_VALUE else f"{repr(given)[:_LONGEST_VALUE]}…"
    )
    return f"{text}, not {shown}" if known else f"{text} (it is {shown})"


def _line(name: str, place: tuple[int, int] | None, path: Sequence[str], text: str) -> str:
    where = f"{name}:{place[0] + 1}:{place[1] + 1}" if place else name
    parts = [where, *([".".join(path)] if path else []), text]
    return visible(": ".join(parts), longest=600)


def input_error(lines: Sequence[str], what: str) -> InputError:
    """One error out of many lines."""
    shown = list(lines[:MOST_MISTAKES])
    if len(lines) > MOST_MISTAKES:
        shown.append(f"... and {len(lines) - MOST_MISTAKES} more")
    return InputError("\n".join(shown), f"Correct the {what} and try again.")


def _read(path: Path, largest_bytes: int, what: str) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(largest_bytes + 1)
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise InputError(
            f"{visible(str(path))}: {reason}.", f"Give the path of a readable {what}."
        ) from error
    if len(data) > largest_bytes:
        raise input_error(
            [_line(str(path), None, (), f"is larger than {largest_bytes} bytes")], what
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        place = (before.count(b"\n"), error.start - (before.rfind(b"\n") + 1))
        text = "is not UTF-8 text: save the file in the encoding UTF-8"
        raise input_error([_line(str(path), place, (), text)], what) from None


def load_yaml_model(
    source: Path | str,
    model: type[M],
    *,
    name: str | None = None,
    what: str = "file",
    largest_bytes: int = LARGEST_BYTES,
) -> M:
    """Load a YAML document into a pydantic model.

    Args:
        source: A `Path` is a file to read, a `str` is the text of the document itself.
        model: The model to fill.
        name: What stands for the file name in messages; the path itself if left out.
        what: What the document is, for messages ("device profile").
        largest_bytes: Refuse anything larger [byte].

    Raises:
        InputError: The file cannot be read or does not fit the model; the cause holds one line
            ``file:line:column: path: message`` for every mistake.
    """
    if isinstance(source, Path):
        shown = name or str(source)
        text = _read(source, largest_bytes, what)
    else:
        shown = name or "text"
        text = source
        if len(text.encode("utf-8", "surrogatepass")) > largest_bytes:
            line = _line(shown, None, (), f"is larger than {largest_bytes} bytes")
            raise input_error([line], what)
    try:
        tree = _parse(text)
        if tree is None:
            raise _Mistake("is empty")
        data = _plain(tree, 0, [MOST_VALUES], None)
    except _Mistake as mistake:
        raise input_error([_line(shown, mistake.place, (), mistake.text)], what) from None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        placed = []
        for detail in error.errors():
            place, path = _place(tree, detail["loc"], detail["type"])
            placed.append((place, _line(shown, place, path, _words(detail))))
        placed.sort(key=lambda item: item[0])
        raise input_error([line for _, line in placed], what) from None
