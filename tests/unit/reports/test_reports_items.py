"""One line an item, and what may stand beside it."""

from __future__ import annotations

import dataclasses

from pipeline.commands import listing
from pipeline.findings.model import Bundle, Suspect
from reports import items, page_suspects, pages, words
from reports.cells import Fact, PageTable
from reports.page_suspects import Card
from reports.workbook import _worklist_rows
from tests.fixtures_bundle import rich_bundle


def twice(bundle: Bundle) -> Bundle:
    """The first flagged item flagged for all losses and for drops as well, neither of them its headline."""
    first = bundle.suspects[0]
    others = tuple(dataclasses.replace(first, loss=loss, headline=False) for loss in ("all", "dropped"))
    return dataclasses.replace(bundle, suspects=(others[0], *bundle.suspects, others[1]))


def facts_of(card: Card) -> dict[str, str]:
    return {fact.name: fact.text for fact in card.facts if isinstance(fact, Fact)}


def test_an_item_flagged_for_three_losses_has_one_line_and_names_the_others() -> None:
    bundle = twice(rich_bundle(suspects=8, flagged=4))
    found = pages.context(bundle, cut=True)
    worklist, cards = found["worklist"], found["cards"]
    assert isinstance(worklist, PageTable)
    assert isinstance(cards, list)
    assert [row[1].text for row in worklist.rows] == [
        "nozzle N0000 of M1",
        "feeder F0001 of M2",
        "spindle S0002 of M3",
        "head H0003 of M4",
    ]
    assert worklist.rows[0][1].small == "missed picks"
    assert facts_of(cards[0])["Also flagged for"] == "all losses, drops"
    assert facts_of(cards[1])["Also flagged for"] == "no other loss"
    assert str(found["plot"]).count("<circle") == 4
    assert len(list(_worklist_rows(bundle))) == 4


def test_an_item_without_a_headline_keeps_its_first_flagged_entry() -> None:
    bundle = twice(rich_bundle(suspects=8, flagged=4))
    without = tuple(dataclasses.replace(s, headline=False) for s in bundle.suspects)
    chosen = items.headlines(without)
    assert [(s.id, s.loss) for s in chosen if s.kind == "nozzle"] == [("N0000", "all")]
    assert {items.key(s) for s in chosen} == {items.key(s) for s in bundle.suspects if s.flagged}


def explained(item: Suspect, loss: str, losses: int, **more: object) -> Suspect:
    changed = dataclasses.replace(item, loss=loss, losses=losses, flagged=False, headline=False, explained_by="lot L-1")
    return dataclasses.replace(changed, **more)  # type: ignore[arg-type]


def test_no_need_to_pull_has_one_line_an_item_most_losses_first() -> None:
    flagged, one, two = rich_bundle(suspects=3, flagged=3).suspects[:3]
    suspects = (
        explained(one, "dropped", 4),
        explained(one, "all", 90),
        explained(one, "missed", 40),
        explained(two, "all", 60),
    )
    assert [(s.id, s.loss) for s in items.explained(suspects)] == [(two.id, "all"), (one.id, "missed")]
    also_pulled = (*suspects, flagged, explained(flagged, "dropped", 500))
    assert flagged.id not in [s.id for s in items.explained(also_pulled)], "it is to be pulled for another loss"


def test_what_stands_out_and_is_too_small_is_named_with_the_limits_and_never_as_no_need_to_pull() -> None:
    bundle = rich_bundle(suspects=8, flagged=0)
    first, *others = (s for s in bundle.suspects if s.kind == "nozzle")
    small = dataclasses.replace(first, stands_out=True, enough=True, not_separable_from=("spindle 2/4",))
    cleared = explained(first, "dropped", 4)
    changed = dataclasses.replace(bundle, suspects=(small, cleared, *others))
    found = str(pages.context(changed, cut=True)["too_small"])
    assert f"{items.named(first)}, {words.loss_name(first.loss)}: {words.odds(first.effect)} × (" in found
    assert "), not separable from spindle 2/4. The settings" in found
    unset = dataclasses.replace(changed, settings={})
    assert "not known losses" in str(pages.context(unset, cut=True)["too_small"])
    assert "a saving of at least" in found
    assert "5 losses" in found
    assert items.explained(changed.suspects) == ()
    assert [s.id for s in items.too_small((small, dataclasses.replace(first, flagged=True, loss="dropped")))] == []
    assert pages.context(bundle, cut=True)["too_small"] == ""
    assert page_suspects.verdict(small) == "worse than its peers, too small to flag"
    assert listing._verdict(small) == "worse than its peers, too small to flag"
    unsure = dataclasses.replace(small, stands_out=False, suspected=True, not_separable_from=())
    found = str(pages.context(dataclasses.replace(changed, suspects=(unsure, cleared, *others)), cut=True)["too_small"])
    assert found.startswith("Likely worse than their healthy peers, but not sure enough to flag")
    assert items.named(first) in found
    assert items.explained((unsure, cleared)) == (), "it may be to blame"
    assert "not sure enough" in page_suspects.verdict(unsure)
    assert page_suspects.verdict(unsure) == listing._verdict(unsure)
    twin = dataclasses.replace(small, stands_out=False)
    assert listing._verdict(twin) == "cannot be told from spindle 2/4"
    assert page_suspects.verdict(twin) == "not separable from spindle 2/4"


def test_names_written_from_right_to_left_do_not_move_the_figures_beside_them() -> None:
    """Without an element of its own such a name takes the figure behind it to its other side."""
    name = "\u05e1\u05d3\u05e8-2"
    bundle = dataclasses.replace(rich_bundle(), plant=f"{name} & <b>")
    action = dataclasses.replace(bundle.actions[0], what=f"Build {name}: 5 of {name}, 8 of P<1>. The rest of {name}.")
    found = pages.render("pdf.html.j2", dataclasses.replace(bundle, actions=(action,)), cut=True, css="")
    apart = f"<bdi>{name}</bdi>"
    assert f"Build {apart}: 5 of {apart}, 8 of P&lt;1&gt;. The rest of {apart}." in found
    assert f"<title>Weekly attrition report: {name} &amp; &lt;b&gt;, " in found
    assert f'<span class="where">{apart} &amp; &lt;b&gt;, ' in found


def test_a_long_text_is_searched_for_such_names_in_no_time() -> None:
    text = "x" * 200_000 + " \u05d0 " + "y" * 200_000
    assert [len(piece) for piece in words.leftward_names(text)] == [200_001, 1, 200_001]
