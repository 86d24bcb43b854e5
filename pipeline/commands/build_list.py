"""A build list of the buyer's own (CSV or workbook) -> build lines, and a sentence on every line that is wrong.

In:    a file with a header: part, quantity per board, boards; build, due, stock and on order where they are known.
Out:   `BuildList`: the tables that the overage is reckoned from.
After: a line is used as it stands, mended and named, or refused and named with its number and what to do; read = used +
       refused + empty. A file that cannot be read at all is a UserError.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.analysis.overage_builds import MOST_NEEDED
from pipeline.analysis.overage_names import PartNames
from pipeline.analysis.overage_names import said as said_of
from pipeline.errors import FileRefused, UserError
from pipeline.schema.entries import CsvFault, csv_rows, iso_day, thousands, whole
from pipeline.settings import Limits

SUFFIXES: Final = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm")
"""Endings by which an argument is taken for a file and not for the name of a build."""
MOST_BYTES: Final = 200_000_000
NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "part": ("part", "part_number", "part_no", "item"),
    "quantity_per_board": ("quantity_per_board", "qty_per_board", "per_board", "quantity", "qty"),
    "boards": ("boards", "number_of_boards", "board_count"),
    "build": ("build", "work_order", "order"),
    "due": ("due", "due_date", "date"),
    "stock": ("stock", "on_hand", "in_stock", "have"),
    "on_order": ("on_order", "ordered", "open_orders"),
}
"""Columns and the headings they may stand under; capitals, blanks and points do not matter."""
BUILDS: Final[dict[str, pl.DataType]] = {
    "build": pl.String(),
    "part": pl.String(),
    "quantity_per_board": pl.Int64(),
    "boards": pl.Int64(),
    "due": pl.String(),
}


@dataclass(frozen=True, slots=True)
class BuildList:
    """What a build list says.

    builds   good lines (columns BUILDS), one a build and part
    stock    part -> stock and on order, where the list gives them; None where it does not
    unread   parts whose stock stands there and cannot be read: it is not known
    read     lines with anything in them; `refused` of these were not used
    said     one sentence a wrong line
    """

    builds: pl.DataFrame
    stock: dict[str, tuple[int | None, int | None]]
    read: int
    refused: int
    said: tuple[str, ...]
    unread: frozenset[str] = frozenset()

    def parts(self, table: pl.DataFrame) -> pl.DataFrame:
        """The part table with the stock of the list in the place of its own, and the list's parts that it lacks."""
        if not self.stock and not self.unread:
            return table
        told_of = self.stock | {p: self.stock.get(p, (None, None)) for p in self.unread}
        rows = [(p, s, o) for p, (s, o) in sorted(told_of.items())]
        told = pl.DataFrame(
            rows, schema={"part": pl.String(), "told": pl.Int64(), "told_order": pl.Int64()}, orient="row"
        )
        joined = table.join(told, on="part", how="full", coalesce=True)
        stock = pl.when(pl.col("part").is_in(sorted(self.unread))).then(pl.col("told"))
        return joined.with_columns(
            stock=stock.otherwise(pl.coalesce("told", "stock")), on_order=pl.coalesce("told_order", "on_order")
        ).select(table.columns)


def is_file(text: str) -> bool:
    """Whether an argument names a file: by its ending, or because it lies there."""
    return text.lower().endswith(SUFFIXES) or Path(text).is_file()


def read_build_list(
    path: Path, known: set[str], limits: Limits, *, boards: int | None = None, names: PartNames | None = None
) -> BuildList:
    """Read and check a build list.

    known   part numbers of the part table; names: other names of parts
    boards  boards of every line where the list has no such column

    Raises UserError when there is no such file, it cannot be read, or a column is missing.
    """
    rows = _rows(path, limits)
    header, line = next(((cells, n) for n, cells in rows if any(c.strip() for c in cells)), ([], 0))
    if not header:
        raise UserError(f"{path}: is empty. Give a header and a line a part.")
    at = _columns(path, line, header, boards)
    taken = _Lines(path.name, path.stem, known, boards, names)
    for number, cells in rows:
        if any(c.strip() for c in cells):
            found = {name: cells[i].strip() if i < len(cells) else "" for name, i in at.items()}
            taken.take(number, found, _too_wide(path, cells, header))
    return taken.done()


def read_moves(
    path: Path, known: set[str], limits: Limits, *, names: PartNames | None = None
) -> tuple[pl.DataFrame, int, tuple[str, ...]]:
    """What the store room issued and got back: columns part, issued, returned (0 where the list has none).

    Returns the good rows, one a part, how many lines were refused, and a sentence on each that was wrong. Raises
    UserError as `read_build_list` does, also when no line can be used.
    """
    rows = _rows(path, limits, "a list of part, issued and returned (CSV or workbook)")
    header, line = next(((cells, n) for n, cells in rows if any(c.strip() for c in cells)), ([], 0))
    plain = [_plain_heading(h) for h in header]
    if missing := [n for n in ("part", "issued") if n not in plain]:
        raise UserError(
            f"{path} line {line}: no column {' and none '.join(missing)}. Give part, issued and, if known, returned."
        )
    at = {n: plain.index(n) for n in ("part", "issued", "returned") if n in plain}
    sums: dict[str, list[int]] = {}
    said: list[str] = []
    refused = 0
    for number, cells in rows:
        if not any(c.strip() for c in cells):
            continue
        found = {n: cells[i].strip() if i < len(cells) else "" for n, i in at.items()}
        if wide := _too_wide(path, cells, header):
            refused += 1
            said.append(f"{path.name} line {number}: {wide}")
            continue
        issued, back = whole(found["issued"]), whole(found.get("returned") or "0")
        if not found["part"] or issued is None or back is None or issued < 0 or back < 0:
            refused += 1
            why = "part, issued or returned is missing or no whole number of 0 or more"
            for column in ("issued", "returned"):
                if asked := thousands(found.get(column, "")):
                    why = f'{column} "{found[column]}": {asked}'
            said.append(f"{path.name} line {number}: {why}. Line refused; correct it.")
            continue
        if back > issued:
            said.append(
                f'{path.name} line {number}: part "{found["part"]}" has {back} returned and only {issued} issued. '
                "Counted as it stands; correct it, unless it was issued before."
            )
        part = found["part"] if names is None else names.counted(found["part"])
        if part != found["part"]:
            said.append(f"{path.name} line {number}: {said_of(found['part'], part)}")
        if part not in known:
            said.append(f'{path.name} line {number}: part "{part}" is not in parts.csv: its value is not known.')
        total = sums.setdefault(part, [0, 0])
        total[0], total[1] = total[0] + issued, total[1] + back
    if not sums:
        raise UserError(f"{path.name}: no line of {refused} can be used.{f' First: {said[0]}' if said else ''}")
    frame = pl.DataFrame(
        [(p, *v) for p, v in sorted(sums.items())],
        schema={"part": pl.String(), "issued": pl.Int64(), "returned": pl.Int64()},
        orient="row",
    )
    return frame, refused, tuple(said)


def _plain_heading(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.strip().lower()).strip("_")


def _rows(
    path: Path, limits: Limits, what: str = "a build list (CSV or workbook), or a build of builds.csv"
) -> Iterator[tuple[int, list[str]]]:
    """Number and cells of every row; UserError when the file cannot be read."""
    from pipeline.ingest.apart import call_apart
    from pipeline.ingest.containers_workbook import workbook_rows

    if not path.is_file():
        raise UserError(f"{path}: there is no such file. Name {what}.")
    if path.stat().st_size > MOST_BYTES:
        raise UserError(f"{path}: holds more than {MOST_BYTES} bytes, which no build list does.")
    try:
        if not _is_workbook(path):
            return iter(_text_rows(path))
        refused, rows = call_apart(workbook_rows, path, limits, limits=limits)
        if refused:
            raise FileRefused(refused)
        return ((int(number), list(cells)) for number, cells in rows)
    except FileRefused as error:
        reason = error.reason.replace("not a log", "not a build list").replace("the logs", "the list")
        raise UserError(f"{path}: {reason} Save it again as .xlsx or CSV.") from error


def _text_rows(path: Path) -> list[tuple[int, list[str]]]:
    raw = path.read_bytes()
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError as error:
        raise UserError(f"{path}: is neither UTF-8 nor UTF-16 text. Save it as CSV UTF-8.") from error
    first = next((t for t in text.splitlines() if t.strip()), "")
    delimiter = max((";", ",", "\t"), key=first.count)
    try:
        return list(csv_rows(text, delimiter))
    except CsvFault as fault:
        raise UserError(f"{path} line {fault.line}: {fault}") from fault


def _too_wide(path: Path, cells: list[str], header: list[str]) -> str:
    """What is wrong with a line of text with more fields than the header (1,200 without quotes is two); else empty."""
    filled = max((i for i, c in enumerate(cells, 1) if c.strip()), default=0)
    if filled <= len(header) or _is_workbook(path):
        return ""
    return (
        f"{filled} fields, the header has {len(header)}. Line refused; take signs out of numbers, or quote the field."
    )


def _is_workbook(path: Path) -> bool:
    from pipeline.ingest.containers import kind_of

    with path.open("rb") as file:
        return kind_of(file.read(16)) == "workbook" or path.suffix.lower() in (".xlsx", ".xlsm")


def _columns(path: Path, line: int, header: list[str], boards: int | None) -> dict[str, int]:
    """Place of each column that is known; UserError for one that is missing or stands twice."""
    plain = [_plain_heading(h) for h in header]
    found: dict[str, int] = {}
    for name, headings in NAMES.items():
        places = [i for i, h in enumerate(plain) if h in headings]
        if len(places) > 1:
            shown = " and ".join(f'"{header[i]}"' for i in places)
            raise UserError(f"{path} line {line}: {shown} both stand for {name}. Keep one of the columns.")
        if places:
            found[name] = places[0]
    if boards and "boards" in found:
        raise UserError(f'{path} line {line}: has a column "{header[found["boards"]]}"; leave --boards out.')
    needed = ["part", "quantity_per_board", *([] if boards else ["boards"])]
    if missing := [n for n in needed if n not in found]:
        hint = " (or give --boards)" if "boards" in missing else ""
        raise UserError(
            f"{path} line {line}: no column {' and none '.join(missing)}{hint}. "
            f"Found: {', '.join(h for h in header if h) or 'nothing'}."
        )
    return found


class _Lines:
    """The lines taken so far."""

    def __init__(
        self, file: str, build: str, known: set[str], boards: int | None, names: PartNames | None = None
    ) -> None:
        self.file, self.build, self.known, self.boards, self.names = file, build, known, boards, names
        self.good: dict[tuple[str, str], list[object]] = {}
        self.first: dict[tuple[str, str], int] = {}
        self.stock: dict[str, tuple[int | None, int | None]] = {}
        self.unknown: set[str] = set()
        self.unread: set[str] = set()
        self.said: list[str] = []
        self.read = self.refused = 0

    def _say(self, line: int, text: str) -> None:
        self.said.append(f"{self.file} line {line}: {text}")

    def take(self, line: int, cells: Mapping[str, str], wrong: str = "") -> None:
        """One line: used, mended or refused; `wrong`: why it cannot be used at all."""
        self.read += 1
        if wrong:
            self._refuse(line, wrong)
            return
        part, build = cells["part"], cells.get("build") or self.build
        if not part:
            self._refuse(line, "no part. Line refused; name the part.")
            return
        numbers = {}
        for column, what in (("quantity_per_board", "quantity per board"), ("boards", "boards")):
            text = cells.get(column, "")
            value = self.boards if column not in cells else whole(text)
            if value is None or value <= 0:
                found = "is empty" if not text else f'"{text}"'
                wanted = thousands(text) or "expected a whole number of 1 or more"
                self._refuse(line, f"{what} {found}; {wanted}. Line refused; correct it.")
                return
            numbers[column] = value
        need = numbers["quantity_per_board"] * numbers["boards"]
        if need > MOST_NEEDED:
            self._refuse(line, f"{need} parts are more than {MOST_NEEDED}. Line refused; correct it.")
            return
        due = self._due(line, cells.get("due", ""))
        part = self._counted(line, part, due)
        self._use(line, build, part, numbers, due)
        self._stock(line, part, cells)
        if part not in self.known and part not in self.unknown:
            self.unknown.add(part)
            self._say(
                line, f'part "{part}" is not in parts.csv: price and pack size are not known. Add it to reckon them in.'
            )

    def _counted(self, line: int, part: str, due: str | None) -> str:
        name = part if self.names is None else self.names.counted(part, due)
        if name != part:
            self._say(line, said_of(part, name))
        return name

    def _refuse(self, line: int, text: str) -> None:
        self.refused += 1
        self._say(line, text)

    def _use(self, line: int, build: str, part: str, numbers: dict[str, int], due: str | None) -> None:
        key = (build, part)
        if key not in self.good:
            self.good[key] = [numbers["quantity_per_board"], numbers["boards"], due]
            self.first[key] = line
            return
        kept = self.good[key]
        before = int(str(kept[0])) * int(str(kept[1]))
        total = before + numbers["quantity_per_board"] * numbers["boards"]
        same = kept[1] == numbers["boards"]
        quantity = int(str(kept[0])) + numbers["quantity_per_board"] if same else total
        dues = sorted(str(d) for d in (kept[2], due) if d is not None)
        self.good[key] = [quantity, kept[1] if same else 1, dues[0] if dues else None]
        self._say(
            line,
            f'part "{part}" stands in line {self.first[key]} of the same build already. Added up to {total} parts; '
            "if it was entered twice by mistake, take one line out.",
        )

    def _due(self, line: int, text: str) -> str | None:
        found = iso_day(text) if text else None
        if text and found is None:
            self._say(line, f'due date "{text}" is not a date such as 2026-11-30. Taken as the last to be built.')
        return found

    def _stock(self, line: int, part: str, cells: Mapping[str, str]) -> None:
        before = self.stock.get(part, (None, None))
        found: list[int | None] = []
        for known, column, what, taken in (
            (before[0], "stock", "stock", "not known"),
            (before[1], "on_order", "on order", "not given"),
        ):
            text = cells.get(column, "")
            value = whole(text) if text else None
            if text and value is None:
                why = thousands(text) or "is not a whole number"
                self._say(line, f'{what} "{text}"{":" if thousands(text) else ""} {why}. Taken as {taken}; correct it.')
                if column == "stock":
                    self.unread.add(part)
            elif value is not None and value < 0:
                self._say(line, f"{what} is {value}, below 0. Taken as 0; count it.")
                value = 0
            if known is not None and value is not None and known != value:
                other = "another stock" if column == "stock" else "another number on order"
                self._say(line, f'part "{part}" has {other} than in the line before. The first one counts.')
            found.append(value if known is None else known)
        if found != [None, None]:
            self.stock[part] = (found[0], found[1])

    def done(self) -> BuildList:
        """All lines; UserError when none can be used."""
        if not self.good:
            told = f" First: {self.said[0]}" if self.said else ""
            raise UserError(f"{self.file}: no line of {self.read} can be used.{told}")
        rows = [(build, part, *values) for (build, part), values in self.good.items()]
        frame = pl.DataFrame(rows, schema=BUILDS, orient="row")
        unread = frozenset(p for p in self.unread if self.stock.get(p, (None, None))[0] is None)
        return BuildList(frame, self.stock, self.read, self.refused, tuple(self.said), unread)
