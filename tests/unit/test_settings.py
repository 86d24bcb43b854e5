"""plant.toml: what is wrong in it is named with its line, and no entry is taken that could never come true."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline import settings
from pipeline.errors import SettingsError

SERVICE = "[[maintenance]]\npattern = '(?P<id>N.) cleaned'\nkind = 'nozzle'\naction = 'cleaned'\n"


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        (SERVICE.replace("'nozzle'", "'nozle'"), 3, 'unknown kind "nozle". Known: nozzle, spindle, head'),
        (SERVICE.replace("'cleaned'", "'cleand'"), 4, 'unknown action "cleand". Known: cleaned, replaced'),
        (SERVICE + SERVICE.replace("(?P<id>N.)", "("), 6, "not a regular expression"),
        (SERVICE + SERVICE.replace("(?P<id>N.)", "N."), 6, "needs a group (?P<id>...)"),
        (SERVICE + SERVICE.replace("kind = 'nozzle'\n", ""), 5, 'a [[maintenance]] lacks "kind"'),
        ("known_fault = ['M1']\n", 1, "write each under its own [[known_fault]]"),
        ("part_class = [1]\n", 1, "write each under its own [[part_class]]"),
        ("[[part_class]]\nname = 'a'\nfeeder_type = ['tapes']\n", 3, 'unknown feeder_type "tapes". Known: tape,'),
        ("[[part_class]]\nname = 'a'\nprice_from = 5\nprice_to = 1\n", 4, "no price lies between"),
        ("costs.machine_hour = -1\n", 1, "must lie between"),
        ("\n['costs']\n\"machine_hour\" = -1\n", 3, "must lie between"),
        ("\ncosts = { machine_hour = -1 }\n", 2, "must lie between"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(text: str, line: int, message: str, tmp_path: Path) -> None:
    (tmp_path / "plant.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=f"plant.toml line {line}: .*{re.escape(message)}"):
        settings.load(tmp_path)


def test_services_of_every_kind_and_action_are_taken(tmp_path: Path) -> None:
    (tmp_path / "plant.toml").write_text(SERVICE + SERVICE.replace("'nozzle'", "'feeder'"), encoding="utf-8")
    assert [s.kind for s in settings.load(tmp_path).maintenance] == ["nozzle", "feeder"]
