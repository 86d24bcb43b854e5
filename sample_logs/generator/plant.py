"""The made-up plant's fixed make-up: packages, parts, nozzles, feeders and placement programs.

In:    a seed.
Out:   `Works`, everything that does not change from shift to shift.
After: the same seed gives the same works; every placement has a slot that holds its part and a spindle whose nozzle
       type suits its package.

All rates are made up: they are no benchmark for any real plant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

NAME: Final = "Lindenbrook plant (made up)"
ZONE: Final = "Europe/Berlin"
MISS, REJECT, DROP = 0, 1, 2
HEALTHY_SPREAD: Final = 0.22
"""Standard deviation of the log odds between healthy nozzles and between healthy feeders."""


@dataclass(frozen=True, slots=True)
class Package:
    """One component package. `rates` are the chances of miss, reject and drop along the chain, fractions.

    `size` is the body's length and width in mm, `feeder` the feeder class, `reasons` the refusal reasons it shows.
    """

    name: str
    nozzle: str
    feeder: str
    method: str
    size: tuple[float, float]
    rates: tuple[float, float, float]
    reasons: str = "chip"


PACKAGES: Final = {
    p.name: p
    for p in (
        Package("01005", "S", "8/2", "laser", (0.4, 0.2), (0.0055, 0.0040, 0.0005)),
        Package("0201", "S", "8/2", "laser", (0.6, 0.3), (0.0040, 0.0025, 0.0004)),
        Package("0402", "M", "8/2", "laser", (1.0, 0.5), (0.0026, 0.0015, 0.0003)),
        Package("0603", "M", "8/4", "laser", (1.6, 0.8), (0.0020, 0.0013, 0.0003)),
        Package("SOT23", "L", "8/4", "laser", (2.9, 1.3), (0.0022, 0.0022, 0.0002), "lead"),
        Package("SOD123", "L", "8/4", "laser", (2.7, 1.6), (0.0020, 0.0018, 0.0002), "lead"),
        Package("SO8", "L", "12/8", "camera_reflected", (4.9, 3.9), (0.0020, 0.0030, 0.0002), "lead"),
        Package("QFN32", "L", "12/8", "camera_reflected", (5.0, 5.0), (0.0016, 0.0034, 0.0002), "lead"),
        Package("ECAP63", "L", "16/12", "laser", (6.6, 6.6), (0.0024, 0.0018, 0.0005), "lead"),
        Package("TSSOP20", "L", "tube", "camera_reflected", (6.5, 4.4), (0.0045, 0.0035, 0.0003), "lead"),
        Package("CONN10", "X", "24/16", "camera_side", (12.0, 5.0), (0.0030, 0.0040, 0.0004), "lead"),
        Package("QFP144", "X", "tray", "camera_reflected", (20.0, 20.0), (0.0020, 0.0040, 0.0003), "lead"),
        Package("ODDCONN", "X", "tray", "camera_back", (28.0, 9.0), (0.0040, 0.0040, 0.0005), "lead"),
        Package("MODULE", "X", "tray", "camera_side", (15.0, 12.0), (0.0020, 0.0030, 0.0003), "lead"),
    )
}
_COUNTS: Final = {
    "01005": 8, "0201": 16, "0402": 20, "0603": 14, "SOT23": 6, "SOD123": 3, "SO8": 2, "QFN32": 2,
    "ECAP63": 2, "TSSOP20": 1, "CONN10": 3, "QFP144": 1, "ODDCONN": 1, "MODULE": 1,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Part:
    """One part number."""

    id: str
    package: Package


@dataclass(frozen=True, slots=True)
class Machine:
    """One machine: its heads of six spindles, placing cycles a board, and the nozzle types of each program."""

    id: str
    line: int
    kind: str
    heads: int
    cycles: int
    types: dict[str, str]
    parts: dict[str, int]
    rated: int


MACHINES: Final = (
    Machine("L1M1", 1, "one head", 1, 8, {"A": "SSSMMM", "B": "SSSSMM"}, {"S": 8, "M": 5}, 16_000),
    Machine("L1M2", 1, "one head", 1, 8, {"A": "SMMMLL", "B": "MMMLLL"}, {"S": 2, "M": 8, "L": 4}, 16_000),
    Machine("L1M3", 1, "two heads", 2, 8, {"A": "SSMMLX", "B": "SMMMLX"}, {"S": 6, "M": 8, "L": 4, "X": 3}, 30_000),
    Machine("L2M1", 2, "one head", 1, 8, {"A": "SSSMMM", "B": "SSSSMM"}, {"S": 8, "M": 5}, 16_000),
    Machine("L2M2", 2, "one head", 1, 8, {"A": "SMMMLL", "B": "MMMLLL"}, {"S": 2, "M": 8, "L": 4}, 16_000),
    Machine("L2M3", 2, "tray and odd parts", 1, 4, {"A": "MLLXXX", "B": "MLLXXX"}, {"M": 4, "L": 4, "X": 4}, 6_000),
)
_FIRST: Final[dict[str, dict[str, int]]] = {
    "L1M1": {"S": 0, "M": 0},
    "L1M2": {"S": 8, "M": 5, "L": 0},
    "L1M3": {"S": 10, "M": 13, "L": 4, "X": 0},
    "L2M1": {"S": 2, "M": 9},
    "L2M2": {"S": 12, "M": 14, "L": 2},
    "L2M3": {"M": 2, "L": 7, "X": 0},
}
"""Where in the list of parts of a nozzle type a machine starts to take its own."""
_SPARE_NOZZLES: Final = 2
_SPARE_FEEDERS: Final = 1.42


@dataclass(frozen=True, slots=True)
class Slot:
    """A feeder position of a program: what stands there."""

    machine: str
    name: str
    part: int


@dataclass(frozen=True, slots=True)
class Station:
    """One spindle, with the nozzle type its program wants."""

    machine: str
    head: str
    spindle: str
    nozzle_type: str


@dataclass(frozen=True, slots=True)
class Program:
    """The placements of one product on one line, machine after machine. Arrays have one entry a placement.

    `optional` marks placements that only some boards carry. `offset` is the nominal time after the board's start, in
    steps of one placing cycle and a spindle's share of it (`cycle`, `beat`).
    """

    line: int
    product: str
    name: str
    slots: tuple[Slot, ...]
    stations: tuple[Station, ...]
    designators: tuple[str, ...]
    machine: NDArray[np.int8]
    slot: NDArray[np.int16]
    station: NDArray[np.int16]
    part: NDArray[np.int16]
    cycle: NDArray[np.int16]
    beat: NDArray[np.int16]
    optional: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Works:
    """The whole plant. Effects are log odds, one row an item and one column a loss (MISS, REJECT, DROP)."""

    seed: int
    parts: tuple[Part, ...]
    nozzles: tuple[tuple[str, str, str], ...]
    """id, type, home machine"""
    feeders: tuple[tuple[str, str, int], ...]
    """id, class, home line"""
    programs: dict[tuple[int, str], Program]
    base: NDArray[np.float64]
    part_effect: NDArray[np.float64]
    nozzle_effect: NDArray[np.float64]
    feeder_effect: NDArray[np.float64]

    def part_index(self, name: str) -> int:
        """Place of a part number; KeyError if there is none."""
        return {p.id: i for i, p in enumerate(self.parts)}[name]

    def nozzle_index(self, name: str) -> int:
        """Place of a nozzle."""
        return {n[0]: i for i, n in enumerate(self.nozzles)}[name]

    def feeder_index(self, name: str) -> int:
        """Place of a feeder."""
        return {f[0]: i for i, f in enumerate(self.feeders)}[name]


def machines_of(line: int) -> tuple[Machine, ...]:
    """The machines of a line, in the order a board passes them."""
    return tuple(m for m in MACHINES if m.line == line)


def build(seed: int) -> Works:
    """Make the plant of this seed."""
    rng = np.random.default_rng([seed, 1])
    parts = _parts()
    programs = {(line, product): _program(line, product, parts, rng) for line in (1, 2) for product in "AB"}
    nozzles = _nozzles()
    feeders = _feeders(programs, parts)
    spread = np.array([HEALTHY_SPREAD, HEALTHY_SPREAD, HEALTHY_SPREAD])
    rates = np.array([p.package.rates for p in parts])
    return Works(
        seed=seed,
        parts=parts,
        nozzles=nozzles,
        feeders=feeders,
        programs=programs,
        base=np.log(rates / (1 - rates)),
        part_effect=rng.normal(0, 0.15, (len(parts), 3)),
        nozzle_effect=rng.normal(0, spread, (len(nozzles), 3)),
        feeder_effect=rng.normal(0, spread * np.array([1, 1, 0]), (len(feeders), 3)),
    )


def _parts() -> tuple[Part, ...]:
    found = []
    for package, count in _COUNTS.items():
        letter = {"S": "C", "M": "R", "L": "D", "X": "J"}[PACKAGES[package].nozzle]
        found += [Part(f"{letter}{package}-{n:02d}", PACKAGES[package]) for n in range(1, count + 1)]
    # Two numbers that a careless reader turns into figures.
    for place, odd in ((9, "1E5"), (30, "004710")):
        found[place] = Part(odd, found[place].package)
    return tuple(found)


def _by_type(parts: tuple[Part, ...], product: str, kind: str) -> list[int]:
    """Parts of a product that need this nozzle type; a third of them stand in both products."""
    every = [i for i, p in enumerate(parts) if p.package.nozzle == kind and p.package.name != "MODULE"]
    if kind == "X":
        return every
    return [p for n, p in enumerate(every) if n % 3 != (2 if product == "A" else 0)]


def _program(line: int, product: str, parts: tuple[Part, ...], rng: np.random.Generator) -> Program:
    slots: list[Slot] = []
    stations: list[Station] = []
    rows: list[tuple[int, int, int, int, int, int, bool]] = []
    for place, machine in enumerate(machines_of(line)):
        held: dict[str, list[int]] = {}
        for kind, count in machine.parts.items():
            able = _by_type(parts, product, kind)
            if kind == "X" and machine.kind != "tray and odd parts":
                able = [i for i in able if parts[i].package.feeder != "tray"]
            elif machine.kind != "tray and odd parts":
                able = [i for i in able if parts[i].package.feeder != "tube"]
            elif kind == "X":
                able = [i for i in able if parts[i].id != f"JCONN10-0{'3' if product == 'A' else '1'}"]
            start = _FIRST[machine.id][kind]
            held[kind] = [able[(start + n) % len(able)] for n in range(min(count, len(able)))]
        held = _wanted(machine.id, product, held, parts)
        if "S" in held and "S" not in machine.types[product]:
            del held["S"]
        first = len(slots)
        mounted = [p for kind in held for p in held[kind]]
        order = rng.permutation(len(mounted))
        slots += [Slot(machine.id, str(2 * n + 1), mounted[k]) for n, k in enumerate(order)]
        at = {s.part: first + n for n, s in enumerate(slots[first:])}
        types = machine.types[product] * machine.heads
        queue = {kind: _spread(held[kind], types.count(kind) * machine.cycles, rng) for kind in sorted(set(types))}
        for n, kind in enumerate(types):
            stations.append(Station(machine.id, f"H{n // 6 + 1}", str(n % 6 + 1), kind))
        base = len(stations) - len(types)
        for cycle in range(machine.cycles):
            for n, kind in enumerate(types):
                part = queue[kind].pop()
                rows.append((place, at[part], base + n, part, cycle, n, False))
        if machine.id == "L2M3" and product == "A":
            part = next(i for i, p in enumerate(parts) if p.package.name == "MODULE")
            slots.append(Slot(machine.id, "T9", part))
            rows.append((place, len(slots) - 1, base + 5, part, machine.cycles, 5, True))
    columns = list(zip(*rows, strict=True))
    part_column = _favour(line, product, slots, stations, columns, parts)
    return Program(
        line=line,
        product=product,
        name=f"LB{'100' if product == 'A' else '200'}-T{line}",
        slots=tuple(slots),
        stations=tuple(stations),
        designators=tuple(_designators(part_column[1], parts)),
        machine=np.array(columns[0], np.int8),
        slot=np.array(part_column[0], np.int16),
        station=np.array(columns[2], np.int16),
        part=np.array(part_column[1], np.int16),
        cycle=np.array(columns[4], np.int16),
        beat=np.array(columns[5], np.int16),
        optional=np.array(columns[6], np.bool_),
    )


WRONG_SIZE_PART: Final = "R0603-03"
BAD_LOT_PART: Final = "DSOT23-03"
INNOCENT_STATION: Final = ("L1M2", "H1", "3")


def _wanted(machine: str, product: str, held: dict[str, list[int]], parts: tuple[Part, ...]) -> dict[str, list[int]]:
    """Make sure that the two parts with a story run where the story needs them."""
    index = {p.id: i for i, p in enumerate(parts)}
    places = {
        WRONG_SIZE_PART: ("M", {("L1M2", "A"), ("L1M3", "A"), ("L2M2", "A"), ("L2M1", "B")}),
        BAD_LOT_PART: ("L", {(m, p) for m in ("L1M2", "L1M3", "L2M2", "L2M3") for p in "AB"}),
    }
    for name, (kind, where) in places.items():
        if kind not in held:
            continue
        rest = [p for p in held[kind] if p != index[name]]
        if (machine, product) in where:
            rest = [index[name], *rest][: len(held[kind])]
        held[kind] = rest
    return held


def _spread(parts: list[int], places: int, rng: np.random.Generator) -> list[int]:
    """Deal parts over placements: the first parts of the list more often, each at least once, in mixed order."""
    weights = np.linspace(1.6, 0.6, len(parts))
    counts = np.maximum(1, np.floor(weights / weights.sum() * places).astype(int))
    while counts.sum() > places:
        counts[np.argmax(counts)] -= 1
    counts[0] += places - counts.sum()
    dealt = np.repeat(parts, counts)
    rng.shuffle(dealt)
    return [int(p) for p in dealt]


def _favour(
    line: int, product: str, slots: list[Slot], stations: list[Station], columns: list[tuple[int, ...]],
    parts: tuple[Part, ...],
) -> tuple[list[int], list[int]]:  # fmt: skip
    """Let one spindle place mostly the wrongly taught part: its nozzle will look bad without being bad."""
    slot, part = list(columns[1]), list(columns[3])
    if (line, product) != (1, "A"):
        return slot, part
    wrong = next(i for i, p in enumerate(parts) if p.id == WRONG_SIZE_PART)
    place = next(i for i, s in enumerate(slots) if s.part == wrong and s.machine == INNOCENT_STATION[0])
    station = next(i for i, s in enumerate(stations) if (s.machine, s.head, s.spindle) == INNOCENT_STATION)
    mine = [n for n, s in enumerate(columns[2]) if s == station]
    for n in mine[:5]:
        if part[n] == wrong:
            continue
        others = [k for k, p in enumerate(slot) if p == place and columns[2][k] != station]
        if len(others) > 3:
            donor = others[0]
            slot[n], part[n], slot[donor], part[donor] = slot[donor], part[donor], slot[n], part[n]
        elif sum(p == part[n] for p in part) > 1:
            slot[n], part[n] = place, wrong
    return slot, part


def _designators(part: list[int], parts: tuple[Part, ...]) -> list[str]:
    seen: dict[str, int] = {}
    names = []
    for p in part:
        letter = {"S": "C", "M": "R", "L": "Q", "X": "X"}[parts[p].package.nozzle]
        seen[letter] = seen.get(letter, 0) + 1
        names.append(f"{letter}{seen[letter]}")
    return names


def _nozzles() -> tuple[tuple[str, str, str], ...]:
    found = []
    for machine in MACHINES:
        for kind in "SMLX":
            need = max(t.count(kind) for t in machine.types.values()) * machine.heads
            if need:
                found += [(kind, machine.id)] * (need + _SPARE_NOZZLES)
    return tuple((f"NZ{n:03d}", kind, machine) for n, (kind, machine) in enumerate(found, 1))


def _feeders(programs: dict[tuple[int, str], Program], parts: tuple[Part, ...]) -> tuple[tuple[str, str, int], ...]:
    found = []
    for line in (1, 2):
        classes: dict[str, int] = {}
        for product in "AB":
            here: dict[str, int] = {}
            for slot in programs[line, product].slots:
                kind = parts[slot.part].package.feeder
                here[kind] = here.get(kind, 0) + 1
            for kind, count in here.items():
                classes[kind] = max(classes.get(kind, 0), count)
        for kind, count in sorted(classes.items()):
            found += [(kind, line)] * int(np.ceil(count * _SPARE_FEEDERS))
    return tuple((f"FD{n:03d}", kind, line) for n, (kind, line) in enumerate(found, 1))
