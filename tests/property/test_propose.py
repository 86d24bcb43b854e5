"""Whatever a file holds, a proposal is a mapping that is accepted, or one sentence to the user."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.ingest.mapping import LOG_TABLES, load_mapping
from pipeline.ingest.propose import propose
from tests.fixtures_delimited import stage
from tests.fixtures_propose import ENGLISH, picks

MUTATIONS = 60
PIECES = [*";,\n\t\"'[]{}0.:-# \u2019äx", "\n\n", "[B]\n", ";;;", "1'000", "3,512", "\ufeff", "Total"]


def logs() -> list[str]:
    """Small logs of several layouts."""
    found = picks(30)
    day = "%Y-%m-%d %H:%M:%S"
    rows = [f"{p.at.strftime(day)},{p.machine},{ENGLISH[p.outcome]}\n" for p in found]
    return [
        "time;type;machine;nozzle;result;dx\n"
        + "".join(f"{p.at.strftime(day)};PICK;{p.machine};{p.nozzle};{ENGLISH[p.outcome]};{p.dx:.3f}\n" for p in found)
        + "Total;3\n",
        "".join(f"[A {n}]\ntime,machine,result\n{''.join(rows)}" for n in (1, 2)),
        "".join(f'{{"ts":"{p.at.isoformat()}","machine":"{p.machine}","res":"{ENGLISH[p.outcome]}"}}\n' for p in found),
        "End,Machine,Nozzle,Picks\n"
        + "".join(f'{p.at:%a %b %d %H:%M:%S %Y},{p.machine},{p.nozzle},"{i + 1},234"\n' for i, p in enumerate(found)),
    ]


def mutated(rng: random.Random, text: str) -> str:
    """The text with some pieces taken out, put in, or doubled."""
    for _ in range(rng.choice([1, 3, 10, 60])):
        at = rng.randrange(len(text))
        way = rng.random()
        if way < 0.4:
            text = text[:at] + text[at + rng.randrange(1, 12) :] or "x"
        elif way < 0.6:
            other = rng.randrange(len(text))
            text = text[:at] + text[other : other + rng.randrange(40)] + text[at:]
        else:
            text = text[:at] + rng.choice(PIECES) + text[at:]
    return text


@pytest.mark.parametrize("seed", range(4))
def test_a_damaged_log_gives_a_mapping_or_a_sentence(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    path, proposal = tmp_path / "x.csv", tmp_path / "p.toml"
    given, staged, said = 0, 0, list[str]()
    for _ in range(MUTATIONS):
        text = mutated(rng, rng.choice(logs()))
        path.write_text(text, encoding="utf-8")
        try:
            made = propose(path, rng.choice([None, None, "pick", *LOG_TABLES]))
        except UserError as error:
            said.append(str(error))
            continue
        proposal.write_text(made, encoding="utf-8")
        assert load_mapping(proposal).fits(path)
        given += 1
        if given % 4 == 0:
            staged += stage(tmp_path, text, made, name="x.csv").staging.records_read
    assert staged
    assert all(str(path) in one for one in said)
