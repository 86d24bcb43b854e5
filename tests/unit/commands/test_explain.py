"""What is told of one item."""

from __future__ import annotations

import dataclasses

from pipeline.commands.explain import explain
from tests.fixtures_bundle import rich_bundle


def test_explain_says_where_each_loss_stands_and_writes_blanks_between_thousands() -> None:
    bundle = rich_bundle()
    flagged = next(s for s in bundle.suspects if s.flagged and s.loss != "all")
    small = dataclasses.replace(flagged, loss="all", flagged=False, stands_out=True)
    changed = dataclasses.replace(bundle, suspects=(flagged, small))
    _, sections = explain(changed, flagged.kind, flagged.id, None)
    lines = next(iter(sections.values()))
    assert [line["verdict"] for line in lines] == [
        f"FLAGGED: {flagged.cause}",
        "worse than its peers, too small to flag",
    ]
    part = bundle.overage[0]
    thin = dataclasses.replace(part, reason="Lost 3 of 9\u202f540 used.")
    suspect = dataclasses.replace(flagged, kind="part", id=part.part)
    changed = dataclasses.replace(bundle, suspects=(suspect,), overage=(thin,))
    assert explain(changed, "part", part.part, None)[1]["Overage"][0]["reason"] == "Lost 3 of 9 540 used."
