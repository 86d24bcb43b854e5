"""Made-up bundles for the tests of the pages: rich, empty, huge, hostile, and with nothing known.

In:    a seed and sizes.
Out:   `Bundle`s. The plant, its machines and its parts do not exist.
After: the same call gives the same bundle; intervals hold their rates.
"""

from __future__ import annotations

import dataclasses
import math
import random
from typing import Any, get_args, get_origin

from pipeline.findings.model import (
    Action,
    Bundle,
    Evidence,
    LossSummary,
    MachineWeek,
    Measured,
    OffsetDrift,
    Overage,
    Quality,
    QualityLine,
    Rate,
    RecognitionFinding,
    RefusalGroup,
    ServiceOutcome,
    Suspect,
    TrendPoint,
)
from tests.fixtures_buying import buying

HOSTILE = (
    "<b>x</b>",
    "=1+1",
    "'; drop table pick; --",
    "{{7*7}}",
    "a[1].csv",
    '"><script>alert(1)</script>',
    "</style><style>*{display:none}",
    "<!-- gone",
    "&amp;",
    "-2+3",
    "@SUM(A1)",
    "file:///etc/passwd",
    "{% raw %}",
)
SETTINGS: dict[str, object] = {
    "name": "Made-up plant",
    "zone": "Europe/Berlin",
    "currency": "EUR",
    "statistics": {
        "confidence": 0.95,
        "interval": "wilson",
        "false_discovery_rate": 0.05,
        "smallest_effect": 1.5,
        "smallest_saving": 1.0,
        "least_losses": 5,
        "least_picks": 200,
    },
    "costs": {"machine_hour": 60.0, "retry_seconds": 1.5, "default_part": 0.01, "miss_uses_part": 0.3},
    "buying": {"service_level": 0.95, "load_loss_tape": 6.0, "history_weeks": 8},
    "limits": {"refused_share": 0.01, "memory_mb": 1000},
    "lists": {"worklist": 10, "table_rows": 30},
    "shifts": {"begins": ("06:00", "14:00", "22:00")},
    "maintenance": (),
}
VERSIONS = {"pickfall": "0.1.0", "python": "3.11", "numpy": "2.3"}
KINDS = ("nozzle", "feeder", "spindle", "head", "slot", "part", "lot", "reel", "package")
LOSSES = ("missed", "rejected", "dropped", "all")


def wilson(losses: int, attempts: int) -> tuple[float, float]:
    """Wilson interval at 95 %, so that made-up rates look as real ones do."""
    z, p = 1.96, losses / attempts
    middle = (p + z * z / (2 * attempts)) / (1 + z * z / attempts)
    half = z / (1 + z * z / attempts) * math.sqrt(p * (1 - p) / attempts + z * z / (4 * attempts**2))
    return max(0.0, min(middle - half, p)), min(1.0, max(middle + half, p))


def rate(losses: int, attempts: int) -> Rate:
    if attempts == 0:
        return Rate(0, 0, None, None, None)
    return Rate(attempts, losses, losses / attempts, *wilson(losses, attempts))


def trend(dice: random.Random, level: float, picks: int, step: float = 1.0, points: int = 8) -> tuple[TrendPoint, ...]:
    made = []
    for week in range(points):
        attempts = int(picks * dice.uniform(0.7, 1.2)) if not (points > 6 and week == 2) else 0
        now = level * (step if week >= points - 3 else 1.0)
        losses = round(now * attempts * dice.uniform(0.85, 1.15))
        r = rate(losses, attempts)
        made.append(
            TrendPoint(f"2026-W{40 + week}", attempts, losses, r.rate, r.low, r.high, level if attempts else None)
        )
    return tuple(made)


def suspect(dice: random.Random, number: int, *, flagged: bool) -> Suspect:
    kind = KINDS[number % len(KINDS)] if not flagged else KINDS[number % 5]
    machine = f"M{1 + number % 6}" if kind not in ("part", "lot", "reel", "package") else None
    loss = LOSSES[number % 4]
    attempts = dice.randint(8_000, 60_000)
    level = dice.uniform(0.0004, 0.0012)
    effect = dice.uniform(3, 9) if flagged else dice.uniform(0.6, 1.5)
    losses = max(1, round(attempts * level * effect))
    r = rate(losses, attempts)
    cost = round(dice.uniform(12, 180), 4) if flagged else dice.uniform(0, 2)
    history = trend(dice, level, attempts, effect) if flagged else ()
    evidence = (
        Evidence(
            "follows", f"The excess stays with this {kind} on 7 of 8 parts that it handled.", True, 7, 5, 8, "peers"
        ),
        Evidence("start", "It began after the service of 11 November.", True),
        Evidence("lot", "Lot L-204 was in use at the same time on 2 of 5 days.", False),
    )
    return Suspect(
        kind=kind,
        id=f"{kind[0].upper()}{number:04d}",
        machine=machine,
        loss=loss,
        attempts=attempts,
        losses=losses,
        rate=r.rate,
        low=r.low,
        high=r.high,
        expected=attempts * level,
        excess=losses - attempts * level,
        effect=effect,
        effect_low=effect * 0.7,
        effect_high=effect * 1.4,
        q=0.00001 if flagged else dice.uniform(0.1, 1),
        flagged=flagged,
        cause="worn or dirty tip" if flagged else None,
        since="2026-11-11T06:00:00+01:00" if flagged else None,
        cost_per_week=cost,
        not_separable_from=("feeder F0012", "slot 14") if flagged and number % 3 == 0 else (),
        evidence=evidence if flagged else (),
        excess_low=(losses - attempts * level) * 0.7,
        excess_high=(losses - attempts * level) * 1.3,
        cost_low=cost * 0.6,
        cost_high=cost * 1.5,
        explained_by="lot L-204 on the same reels" if not flagged and number % 40 == 7 else None,
        advice=f"Pull {kind} {number:04d}, clean it and check it against the gauge." if flagged else "",
        history=history,
        headline=flagged,
    )


def service(dice: random.Random, number: int) -> ServiceOutcome:
    verdicts = ("worked", "did not work", "got worse", "cannot say yet")
    before, after = (
        rate(90 + number, 30_000),
        rate((20, 88, 150, 1)[number % 4], (30_000, 29_000, 28_000, 300)[number % 4]),
    )
    assert before.rate is not None
    assert after.rate is not None
    difference = after.rate - before.rate
    return ServiceOutcome(
        "2026-11-11T05:40:00+01:00",
        f"M{1 + number % 6}",
        "nozzle",
        f"N{number:04d}",
        "cleaned",
        "missed",
        before,
        after,
        difference,
        difference - 0.0006,
        difference + 0.0006,
        verdicts[number % 4],  # type: ignore[arg-type]
        after.attempts,
        "ultrasonic bath",
        "The rate fell and the fall is larger than chance.",
        trend(dice, 0.003, 8000, 0.3),
    )


def recognition(dice: random.Random, number: int, *, flagged: bool) -> RecognitionFinding:
    rejects = rate(240 if flagged else 12, 21_000)
    measured = (
        Measured("length", "mm", 180, 1.0, 0.9, 1.1, 1.105, 1.101, 1.109, 0.012),
        Measured("width", "mm", 180, 0.5, 0.45, 0.55, 0.51, 0.508, 0.512, 0.006),
        Measured("lead pitch", "mm", 12, None, None, None, 0.65, None, None, None),
    )
    return RecognitionFinding(
        f"CAP-{number:04d}",
        "0402",
        "camera_side",
        "side",
        rejects,
        14.2,
        flagged,
        (("size", 190), ("shape", 40), ("other", 10)) if flagged else (("pickup", 12),),
        "lot L-204 on every machine and head" if flagged else "nothing that stands out",
        "2026-11-12" if flagged else None,
        measured if flagged else (),
        (("L-204", rate(200, 6000)), ("L-190", rate(22, 9000)), ("L-188", rate(18, 6000))),
        (("M1 head 1", rate(120, 11_000)), ("M2 head 1", rate(120, 10_000)), ("M3 head 2", rate(0, 0))),
        "Measure ten parts of lot L-204; teach the length again if they agree with the drawing." if flagged else "",
        trend(dice, 0.001, 20_000, 8.0),
    )


def drift(dice: random.Random, number: int, *, flagged: bool) -> OffsetDrift:
    slope = 0.012 if flagged else 0.0003
    days = tuple((f"2026-11-{9 + d:02d}", 0.01 + slope * d + dice.gauss(0, 0.004), 800 + 37 * d) for d in range(14))
    return OffsetDrift(
        *(f"M{1 + number % 6}", f"F{number:04d}", str(10 + number), "x" if number % 2 else "y", 14_000),
        *(0.01, 0.01 + 13 * slope, slope, slope - 0.002, slope + 0.002, flagged, days),
    )


def overage(dice: random.Random, number: int) -> Overage:
    need = dice.choice((400, 1200, 5000, 24_000))
    lost, used = dice.randint(3, 60), dice.randint(20_000, 90_000)
    low, high = wilson(lost, used)
    extra = int(need * lost / used) + 14
    stock = None if number % 17 == 3 else dice.choice((0, 300, 4000, 30_000))
    price = None if number % 13 == 5 else dice.choice((0.004, 0.02, 0.35, 4.2))
    buy = max(0, need + extra - (stock or 0))
    pack = dice.choice((1, 500, 4000))
    buy = -(-buy // pack) * pack
    return Overage(
        part=f"PN-{number:05d}",
        build=f"WO-{1 + number % 3}",
        need=need,
        extra=extra,
        buy=buy,
        service_level=0.95,
        loss_rate=lost / used,
        loss_low=low,
        loss_high=high,
        basis="8 weeks of this part",
        package="0402",
        boards=100,
        quantity_per_board=max(1, need // 100),
        loads=2,
        per_load=6.0,
        kit=need + extra,
        stock=stock,
        on_order=0 if number % 5 else None,
        pack_size=pack,
        unit_cost=price,
        extra_cost=None if price is None else price * extra,
        buy_cost=None if price is None else price * buy,
        due="2026-12-01",
        used=used,
        lost=lost,
        reason="two reel changes expected" if number % 4 else "",
    )


def machine_week(number: int) -> MachineWeek:
    picks, missed, rejected, dropped = 310_000, 300, 210, 14
    placed = picks - missed - rejected - dropped - 5
    loss = rate(missed + rejected + dropped, picks)
    return MachineWeek(
        *(f"M{number}", "Line 1" if number < 4 else None, "joint" if number < 5 else "feeder", picks, placed, missed),
        *(rejected, dropped, 5, 0, loss, 96, 0.0 if number < 5 else None, 0.0012, 0.0),
    )


def quality(machines: int) -> Quality:
    return Quality(
        *(42, 1_860_120, 1_859_000, 1_000, 120),
        tuple(machine_week(n) for n in range(1, machines + 1)),
        (
            QualityLine("problem", "gap", "No log of 17 November from 14:00 to 22:00.", "M3", 8.0, 0.0),
            QualityLine(
                "warning", "clock", "The clock runs 4 minutes ahead of the line's other machines.", "M5", 4.0, 0.0
            ),
            QualityLine("note", "names", "3 nozzles are not in nozzles.csv.", None, 3.0, None),
        ),
        (
            RefusalGroup("picks_0412.csv", "feeder is not in feeders.csv", 100, 318, "2026-11-17;M3;F17;..."),
            RefusalGroup("M5/week47.log", "time is missing", 20, 12, ";;N12;missed"),
        ),
    )


def losses(dice: random.Random) -> tuple[LossSummary, ...]:
    return tuple(
        LossSummary(
            loss,
            rate(now, 1_860_000),
            rate(before, 1_790_000),
            1.8,
            trend(dice, before / 1_790_000, 1_800_000, now / before),
        )
        for loss, now, before in (
            ("missed", 1810, 1500),
            ("rejected", 1240, 1190),
            ("dropped", 82, 90),
            ("all", 3132, 2780),
        )
    )


def actions() -> tuple[Action, ...]:
    """More than fit on the first page, with texts as long as real ones."""
    planner = tuple(
        Action(
            "maintenance planner",
            f"Nozzle N{n:04d} of M1: pull it, clean it, check its tip against the gauge and replace it if it is worn.",
            "112 missed picks, 14 expected: 7.8 times the odds of its peers, since 2026-11-11. Cannot be told from "
            "feeder F0012, slot 14. Serviced on 2026-11-11 (cleaned): did not work.",
            *(84.0 - n, 51.0 - n, 130.0 - n, "per week", "nozzle", f"N{n:04d}", True),
        )
        for n in range(8)
    )
    buyer = tuple(
        Action(
            "buyer",
            f"Build WO-{n}: order 18 of its 30 parts. Due 2026-12-01.",
            "Kit 420 pieces above the 153 200 placed; each part then suffices with 95% probability.",
            *(960.0, None, None, "order value", "build", f"WO-{n}"),
        )
        for n in range(4)
    )
    engineer = tuple(
        Action(
            "engineer",
            f"Lot L-{204 + n}: measure ten parts; teach the length again if they agree with the drawing.",
            "240 recognition rejects, 14 expected: 17.1 times the odds of its peers, since 2026-11-12.",
            None,
        )
        for n in range(6)
    )
    return planner + buyer + engineer


def rich_bundle(
    *, suspects: int = 120, flagged: int = 12, overages: int = 30, machines: int = 6, seed: int = 1, finding: int = 6
) -> Bundle:
    """A week with something in every section."""
    dice = random.Random(seed)
    everything = tuple(suspect(dice, n, flagged=n < flagged) for n in range(suspects))
    part = (
        dataclasses.replace(everything[0], kind="lot", id="L-204", machine=None, loss="rejected") if suspects else None
    )
    too_few = Suspect(
        *(
            "nozzle",
            "N9999",
            "M1",
            "missed",
            31,
            0,
            0.0,
            0.0,
            0.11,
            None,
            None,
            None,
            None,
            None,
            None,
            False,
            None,
            None,
        ),
        None,
        enough=False,
    )
    return Bundle(
        *("2026-W47", "Made-up plant", "Europe/Berlin", "EUR"),
        *("2026-11-16T00:00:00+01:00", "2026-11-23T00:00:00+01:00", 1_860_000, 1_856_838, 5200),
        losses(dice),
        actions(),
        (*everything, too_few, *((part,) if part else ())),
        tuple(service(dice, n) for n in range(8)),
        tuple(recognition(dice, n, flagged=n < 2) for n in range(finding)),
        tuple(drift(dice, n, flagged=n < 3) for n in range(8)),
        tuple(overage(dice, n) for n in range(overages)),
        quality(machines),
        SETTINGS,
        VERSIONS,
        suspects + 2,
        **buying(),
    )


def empty_bundle() -> Bundle:
    """A week without picks and without a plant file."""
    return Bundle(
        *(
            "2026-W47",
            "Made-up plant",
            "UTC",
            "EUR",
            "2026-11-16T00:00:00+00:00",
            "2026-11-23T00:00:00+00:00",
            0,
            0,
            None,
        ),
        *((), (), (), (), (), (), ()),
        Quality(0, 0, 0, 0, 0, (), (), ()),
    )


def nothing_known(bundle: Bundle) -> Bundle:
    """`bundle` with every field that may be None set to None."""
    made = _mapped(bundle, lambda field, value, optional: None if optional else value)
    assert isinstance(made, Bundle)
    return made


def hostile_bundle(**sizes: int) -> Bundle:
    """A rich bundle in which every free text ends with one of `HOSTILE`, all of them used."""
    turn = iter(range(10**9))
    keep = {
        "kind",
        "since",
        "due",
        "loss",
        "level",
        "verdict",
        "owner",
        "axis",
        "label",
        "days",
        "time",
        "start",
        "end",
        "week",
        "zone",
        "unit",
        "day",
    }

    def change(field: str, value: Any, optional: bool) -> Any:
        if isinstance(value, str) and field not in keep:
            return f"{value} {HOSTILE[next(turn) % len(HOSTILE)]}" if field != "id" else _first(next(turn), value)
        return value

    made = _mapped(rich_bundle(**sizes), change)
    assert isinstance(made, Bundle)
    return dataclasses.replace(
        made, settings={**SETTINGS, "name": "<b>x</b>", "maintenance": ({"pattern": "{{7*7}}"},)}
    )


def _first(turn: int, value: str) -> str:
    return f"{HOSTILE[turn % len(HOSTILE)]} {value}"


def _mapped(item: Any, change: Any, name: str = "", optional: bool = False) -> Any:
    if dataclasses.is_dataclass(item) and not isinstance(item, type):
        optional_here = change(name, item, optional)
        if optional_here is None:
            return None
        hints = _hints(type(item))
        values = {
            f.name: _mapped(getattr(item, f.name), change, f.name, type(None) in get_args(hints[f.name]))
            for f in dataclasses.fields(item)
        }
        return type(item)(**values)
    if isinstance(item, tuple):
        return tuple(_mapped(value, change, name) for value in item)
    return change(name, item, optional)


def _hints(kind: type) -> dict[str, Any]:
    import typing

    assert get_origin(kind) is None
    return typing.get_type_hints(kind)
