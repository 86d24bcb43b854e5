"""The week's bundle <-> JSON.

In:    a `Bundle`, or the text of a findings.json.
Out:   text, or a `Bundle`.
After: from_json(to_json(b)) == b; the same bundle gives the same bytes. Figures are kept to 9 significant digits: the
       last bits of a float differ between machines and mean nothing.
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

from pipeline.findings.model import FORMAT, Bundle

DIGITS = 9


def to_json(bundle: Bundle) -> str:
    """The bundle as indented JSON with a final newline. NaN and infinities become null."""
    return json.dumps(_plain(bundle), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def from_json(text: str) -> Bundle:
    """The bundle that `to_json` wrote; ValueError when it is of another format."""
    data = json.loads(text)
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise ValueError(f"not a findings file of format {FORMAT}")
    return typing.cast(Bundle, _build(Bundle, data))


def rounded(value: Any) -> Any:
    """The bundle, or any part of it, with every float as JSON will carry it."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(
            value, **{f.name: rounded(getattr(value, f.name)) for f in dataclasses.fields(value)}
        )
    if isinstance(value, tuple):
        return tuple(rounded(v) for v in value)
    return _number(value) if isinstance(value, float) else value


def _number(value: float) -> float | None:
    return float(f"{value:.{DIGITS}g}") + 0.0 if math.isfinite(value) else None  # + 0.0: no negative zero


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in sorted(value.items())}
    if isinstance(value, float):
        return _number(value)
    return value


@cache
def _hints(kind: type) -> dict[str, Any]:
    """Types of the fields: looked up once a class, since a week has thousands of findings."""
    return get_type_hints(kind)


def _build(kind: Any, data: Any) -> Any:
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        return kind(**{f.name: _build(hints[f.name], data[f.name]) for f in dataclasses.fields(kind) if f.name in data})
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        inner = [a for a in args if a is not type(None)]
        return None if data is None else _build(inner[0], data)
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(_build(args[0], v) for v in data)
        return tuple(_build(a, v) for a, v in zip(args, data, strict=True))
    if kind is float and data is not None:
        return float(data)
    return data
