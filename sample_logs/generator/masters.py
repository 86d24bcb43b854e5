"""Write everything of the sample plant that is no log: settings, master tables, log mappings.

In:    the plant's make-up.
Out:   plant.toml, masters/*.csv, mappings/*.toml below the plant folder.
After: the columns of the master tables are those of pipeline/schema/tables.py.

Prices, stocks and pack sizes are made up.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from sample_logs.generator.plant import MACHINES, NAME, ZONE, Works

_COST: Final = {
    "01005": 0.002, "0201": 0.003, "0402": 0.004, "0603": 0.006, "SOT23": 0.05, "SOD123": 0.04, "SO8": 0.6,
    "QFN32": 2.4, "ECAP63": 0.18, "TSSOP20": 1.1, "CONN10": 0.75, "QFP144": 80.0, "ODDCONN": 4.2, "MODULE": 14.0,
}  # fmt: skip
_PACK: Final = {
    "01005": 10_000, "0201": 10_000, "0402": 10_000, "0603": 4_000, "SOT23": 3_000, "SOD123": 3_000, "SO8": 2_500,
    "QFN32": 1_500, "ECAP63": 900, "TSSOP20": 74, "CONN10": 500, "QFP144": 60, "ODDCONN": 40, "MODULE": 24,
}  # fmt: skip
_NOZZLE_COST: Final = {"S": 68.0, "M": 55.0, "L": 55.0, "X": 140.0}
BIG_BUILD: Final = ("WO4801", 1200, 60, "2026-11-24")
SMALL_BUILD: Final = ("WO4802", 20, 30, "2026-11-27")


def write(folder: Path, works: Works) -> None:
    """Write settings, master tables and mappings of the plant below `folder`."""
    for name in ("masters", "mappings"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    _text(folder / "plant.toml", _PLANT.replace("{name}", NAME).replace("{zone}", ZONE))
    _table(folder, "machines", ("machine", "line", "machine_type", "rated_picks_per_hour"), [
        (m.id, f"line {m.line}", m.kind, m.rated) for m in MACHINES
    ])  # fmt: skip
    _table(folder, "nozzles", ("nozzle", "nozzle_type", "replacement_cost"), [
        (name, kind, f"{_NOZZLE_COST[kind]:.2f}") for name, kind, _ in works.nozzles
    ])  # fmt: skip
    _table(folder, "feeders", ("feeder", "feeder_type", "width", "pitch"), [
        (name, *_feeder(kind)) for name, kind, _ in works.feeders
    ])  # fmt: skip
    _parts(folder, works)
    _builds(folder, works)
    for name, text in _MAPPINGS.items():
        _text(folder / "mappings" / f"{name}.toml", text.replace("{zone}", ZONE))


def unused(works: Works) -> list[int]:
    """Parts in no program: they have never run."""
    used = set().union(*(set(p.part.tolist()) for p in works.programs.values()))
    return [i for i in range(len(works.parts)) if i not in used]


def _feeder(kind: str) -> tuple[str, str, str]:
    """Feeder type, tape width and pitch of a feeder class."""
    if "/" not in kind:
        return kind, "", ""
    width, pitch = kind.split("/")
    return "tape", width, pitch


def _parts(folder: Path, works: Works) -> None:
    rng = np.random.default_rng([works.seed, 5])
    rows = []
    for part in works.parts:
        package = part.package
        kind, _, pitch = _feeder(package.feeder)
        pack = _PACK[package.name]
        cost = _COST[package.name]
        if cost < 10:
            cost *= float(rng.uniform(1.0, 1.6)) if part.id != works.parts[0].id else 1.0
        stock = int(pack * rng.uniform(0.0, 2.5)) if cost < 10 else int(pack * rng.uniform(0.2, 0.9))
        ordered = pack if rng.random() < 0.15 else 0
        least = pack * (2 if cost < 0.01 else 1)
        digits = 4 if cost < 1 else 2
        rows.append(
            (part.id, package.name, package.method, f"{cost:.{digits}f}", kind, pitch, pack, least, stock, ordered)
        )
    columns = ("part", "package", "method", "unit_cost", "feeder_type", "pitch", "pack_size", "minimum_order",
               "stock", "on_order")  # fmt: skip
    _table(folder, "parts", columns, rows)


def _builds(folder: Path, works: Works) -> None:
    """One big build of nearly everything with the part that never ran, and a small one."""
    rng = np.random.default_rng([works.seed, 6])
    names = [p.id for p in works.parts]
    wanted = [names.index("JQFP144-01"), 0, unused(works)[0], names.index("JODDCONN-01"), names.index("R0603-03"),
              names.index("DSOT23-03")]  # fmt: skip
    rest = [int(i) for i in rng.permutation(len(names)) if i not in wanted]
    rows = []
    for build, boards, count, due in (BIG_BUILD, SMALL_BUILD):
        chosen = sorted([*wanted, *rest][:count])
        if build == SMALL_BUILD[0]:
            chosen = sorted([*wanted, *rest[::-1]][:count])
        for i in chosen:
            each = int(rng.integers(1, 9)) if works.parts[i].package.nozzle in "SM" else int(rng.integers(1, 3))
            rows.append((build, names[i], 1 if names[i] == "JQFP144-01" else each, boards, due))
    _table(folder, "builds", ("build", "part", "quantity_per_board", "boards", "due"), rows)


def _table(folder: Path, name: str, columns: tuple[str, ...], rows: Sequence[tuple[object, ...]]) -> None:
    lines = [",".join(columns), *(",".join(str(v) for v in row) for row in rows)]
    _text(folder / "masters" / f"{name}.csv", "\n".join(lines) + "\n")


def _text(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


_PLANT = """\
# Settings of the sample plant. Every key may be left out; what stands here is what applies.
# The plant, its machines, parts and figures are made up.

[plant]
name = "{name}"
zone = "{zone}"          # the wall clock of the shop floor
currency = "EUR"

[statistics]
confidence = 0.95               # level of every interval
interval = "wilson"             # wilson, clopper-pearson or jeffreys
false_discovery_rate = 0.05     # expected share of false flags among the flags of a week
smallest_effect = 1.5           # odds ratio against healthy peers below which nothing is flagged
smallest_saving = 1.0           # saving a week below which nothing is flagged, in EUR
least_losses = 5                # fewer losses are never flagged
least_picks = 200               # fewer picks: "not enough picks"
spread_weeks = 8                # weeks before that tell how far healthy items differ

[costs]
machine_hour = 60.0             # EUR per hour of a machine
retry_seconds = 1.5             # lost by a failed pick and its retry
default_part = 0.01             # EUR, for parts without a price
miss_uses_part = 0.3            # share of missed picks after which the feeder moves on past a part

[buying]
service_level = 0.95            # probability that the parts of one line of a build suffice
load_loss_tape = 6.0            # parts lost when a tape is loaded
load_loss_tube = 1.0
load_loss_tray = 0.0
load_loss_bulk = 2.0
history_weeks = 8               # weeks that the loss rates are taken from

[limits]
refused_share = 0.01            # refused lines of a file above which a run ends with exit code 3

[shifts]
begins = ["06:00", "14:00", "22:00"]

# How the maintenance messages of line 1 say what was done to what. Tried in order.
[[maintenance]]
pattern = '^Clean nozzle (?P<id>NZ\\d+)$'
kind = "nozzle"
action = "cleaned"

[[maintenance]]
pattern = '^Replace nozzle (?P<id>NZ\\d+)$'
kind = "nozzle"
action = "replaced"

[[maintenance]]
pattern = '^Adjust feeder (?P<id>FD\\d+)$'
kind = "feeder"
action = "adjusted"

[[maintenance]]
pattern = '^Clean head (?P<id>H\\d+)$'
kind = "head"
action = "cleaned"

[[maintenance]]
pattern = '^Inspect machine'
kind = "machine"
action = "inspected"
"""
_TEXT = """
[text]
delimiter = ";"
quote = '"'
encoding = "auto"
skip_lines = 0
header = true
decimal = ","
null = ["", "-"]

[time]
columns = ["DATE", "TIME"]
format = "%d.%m.%Y {clock}"
zone = "{zone}"
repeated_hour = "order"         # lines are in order of time, so the hour that comes twice can be told
missing_hour = "refuse"
"""
_SECONDS = _TEXT.replace("{clock}", "%H:%M:%S.%f")
_OFFSET = _SECONDS.split("zone =")[0].replace("%f", "%f%z") + "# The text carries its offset, so no zone is needed.\n"
_PICK_COLUMNS = """
[columns]
board = "PANEL"
try_number = "TRY"
machine = "UNIT"
recipe = "PROGRAM"
work_order = "ORDER"
designator = "REF"
head = "HEAD"
spindle = "SPINDLE"
nozzle = "NOZZLE"
nozzle_type = "TIP"
feeder = "FEEDER"
slot = "PLACE"
part = "ITEM"
package = "CASE"
method = "OPTICS"
reel = "REEL"
lot = "LOT"
outcome = "RESULT"
reason = "CAUSE"
dx = "OFF X"
dy = "OFF Y"
"""
_PICK_VALUES = """
[outcome]
"OK" = "placed"
"NO PICK" = "missed"
"REFUSED" = "rejected"
"FELL" = "dropped"
"BACK" = "returned"
"?" = "unknown"

[reason]
"NO VACUUM" = "vacuum"
"EMPTY POCKET" = "pickup"
"SIZE" = "size"
"OUTLINE" = "shape"
"LEADS" = "lead_or_ball"
"TURNED" = "orientation"
"TOO DARK" = "lighting"
"KNOCKED" = "mechanical"

[units]
dx = "um"
dy = "um"
"""
_MAPPINGS: Final = {
    "line_picks": '# Picks of a line and day; the machine stands in a column.\nformat = 1\n'
    'name = "picks of a line"\ntable = "pick"\nfiles = ["line?_20*.csv", "line?_20*.csv.gz"]\n'
    + _SECONDS + _PICK_COLUMNS + _PICK_VALUES,
    "tray_machine_picks": "# Picks of the machine for trays and odd parts; the machine stands in the file's name.\n"
    'format = 1\nname = "picks of the tray machine"\ntable = "pick"\n'
    'files = ["L2M3_picks_*.csv", "L2M3_picks_*.csv.gz"]\n'
    + _SECONDS + _PICK_COLUMNS.replace('machine = "UNIT"\n', "")
    + "\n[file_name]\npattern = '^(?P<machine>L\\dM\\d)_picks_'\n" + _PICK_VALUES,
    "reel_events": "# Reels put on, taken off and joined.\nformat = 1\n"
    'name = "reels"\ntable = "reel_event"\nfiles = ["line?_reels_*.csv", "line?_reels_*.csv.gz"]\n' + _SECONDS
    + """
[columns]
machine = "UNIT"
slot = "PLACE"
feeder = "FEEDER"
event = "WHAT"
reel = "REEL"
previous_reel = "BEFORE"
part = "ITEM"
lot = "LOT"
quantity = "COUNT"

[values.event]
"ON" = "load"
"OFF" = "unload"
"JOINED" = "splice"
""",
    "store_counts": "# What the store room counted on reels that came off line 2.\nformat = 1\n"
    'name = "counts of the store room"\ntable = "reel_event"\nfiles = ["store_counts*.csv", "store_counts*.csv.gz"]\n'
    + _SECONDS
    + """
[columns]
event = "WHAT"
reel = "REEL"
part = "ITEM"
quantity = "PIECES"

[values.event]
"COUNTED" = "count"
""",
    "sizes": "# What recognition measured on refused parts.\nformat = 1\n"
    'name = "measured sizes"\ntable = "measurement"\nfiles = ["line?_sizes.csv", "line?_sizes.csv.gz"]\n' + _OFFSET
    + """
[columns]
machine = "UNIT"
head = "HEAD"
nozzle = "NOZZLE"
feeder = "FEEDER"
part = "ITEM"
reel = "REEL"
lot = "LOT"
what = "WHAT"
expected = "TAUGHT"
measured = "FOUND"
low = "LEAST"
high = "MOST"
unit = "IN"
""",
    "service": "# What was serviced on line 2.\nformat = 1\n"
    'name = "services of line 2"\ntable = "service"\nfiles = ["line2_service.csv"]\n'
    + _TEXT.replace("{clock}", "%H:%M")
    + """
[columns]
machine = "UNIT"
kind = "WHAT"
id = "WHICH"
action = "DONE"
note = "REMARK"

[values.kind]
"Tip" = "nozzle"
"Feeder" = "feeder"
"Head" = "head"
"Unit" = "machine"

[values.action]
"washed" = "cleaned"
"renewed" = "replaced"
"set" = "adjusted"
"calibrated" = "calibrated"
"looked at" = "inspected"
"mended" = "repaired"
""",
}  # fmt: skip
