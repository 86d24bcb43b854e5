"""What an item is: nozzle, feeder, head ... and how it is called.

In:    frames with the columns of schema/frames.py.
Out:   a text key per row and kind, or null where the log does not know it.
After: the key of a spindle, head, slot, optics or light names its machine, since machines number them alike; a nozzle,
       feeder, part, reel or lot is itself wherever it is. A head "" stands for that of a machine whose log names none.
"""

from __future__ import annotations

from typing import Final

import polars as pl

SEPARATOR: Final = "\x1f"
"""Between the pieces of a key: no log line that was accepted can hold it inside an identifier that matters here."""

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "machine": ("machine",),
    "head": ("machine", "head"),
    "spindle": ("machine", "head", "spindle"),
    "nozzle": ("nozzle",),
    "slot": ("machine", "slot"),
    "feeder": ("feeder",),
    "part": ("part",),
    "package": ("package",),
    "lot": ("lot",),
    "reel": ("reel",),
    "recipe": ("recipe",),
    "method": ("method",),
    "optics": ("machine", "method"),
    "light": ("machine", "method", "lighting"),
}
"""The columns that make up the key of each kind."""


def key(kind: str) -> pl.Expr:
    """Expression of the key; null where any piece is null."""
    made = pl.concat_str([pl.col(c) for c in COLUMNS[kind]], separator=SEPARATOR, ignore_nulls=False)
    return pl.when(pl.col("head") != "").then(made) if kind == "head" else made


def name(kind: str, item_key: str) -> tuple[str | None, str]:
    """(machine or None, id) of a key: the spindle key of machine M, head H, spindle 3 is ("M", "H/3").

    Without a head it is ("M", "3").
    """
    pieces = item_key.split(SEPARATOR)
    if kind == "spindle" and not pieces[1]:
        return pieces[0], f"/{pieces[2]}" if "/" in pieces[2] else pieces[2]
    if kind in ("head", "spindle", "slot", "optics", "light"):
        return pieces[0], "/".join(pieces[1:])
    if kind == "machine":
        return pieces[0], pieces[0]
    return None, SEPARATOR.join(pieces)


def key_of(kind: str, machine: str | None, item: str) -> str:
    """The key whose `name` is (machine, item); the inverse of `name`, whatever signs the ids hold.

    >>> key_of("slot", "M", "3/L") == SEPARATOR.join(("M", "3/L"))
    True
    >>> key_of("spindle", "M", "H/1/3") == SEPARATOR.join(("M", "H/1", "3"))
    True
    >>> key_of("light", "M", "laser/1/2") == SEPARATOR.join(("M", "laser", "1/2"))
    True
    >>> key_of("spindle", "M", "3") == SEPARATOR.join(("M", "", "3"))
    True
    """
    columns = COLUMNS[kind]
    if columns[0] != "machine":
        return item
    if kind == "machine":
        return machine or item
    if kind == "spindle" and (item.startswith("/") or "/" not in item):
        return SEPARATOR.join((machine or "", "", item.removeprefix("/")))
    if kind == "light":
        return SEPARATOR.join((machine or "", *item.split("/", 1)))
    return SEPARATOR.join((machine or "", *item.rsplit("/", len(columns) - 2)))


def label(kind: str, item_key: str) -> str:
    """How pages call an item: "nozzle N-17", "spindle H1/3 of L1M2"."""
    machine, item = name(kind, item_key)
    return f"{kind} {item} of {machine}" if machine and kind != "machine" else f"{kind} {item}"


def from_label(text: str) -> tuple[str, str] | None:
    """(kind, key) of what `label` calls so; None for other words.

    >>> from_label("spindle H1/3 of M1") == ("spindle", SEPARATOR.join(("M1", "H1", "3"))), from_label("lot A of B")
    (True, ('lot', 'A of B'))
    >>> from_label("machine A of B"), from_label("the parts that it worked with") is None
    (('machine', 'A of B'), True)
    """
    kind, _, rest = text.partition(" ")
    if kind not in COLUMNS:
        return None
    if kind == "machine":
        return kind, rest
    item, _, machine = rest.rpartition(" of ") if COLUMNS[kind][0] == "machine" else (rest, "", None)
    return kind, key_of(kind, machine, item)
