"""The part of the page that tries policies."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
import tomlkit

from rehit.app.trying import as_policy, as_section, changes
from rehit.errors import RehitError
from rehit.policy.answers import MEASURES
from rehit.policy.policies import read_policies
from rehit.report.say import Say


def test_policies_chosen_and_written_are_read_back_as_they_were(tmp_path: Path) -> None:
    shipped = read_policies()[1:]
    own = as_policy({"ordinary_working_days": "2,5", "hours_share": "80 %", "coat": " "}, "worst")
    file = tmp_path / "policies_tried.toml"
    file.write_text(tomlkit.dumps({**{each.name: as_section(each) for each in shipped},
                             'Mine\n["x"] \u00e9 \U0001f3a8': own}), encoding="utf-8")
    _, *found, mine = read_policies(file)
    assert tuple(found) == shipped
    assert mine.name == 'Mine\n["x"] \u00e9 \U0001f3a8'
    assert as_section(mine) == {"ordinary_working_days": 2.5, "hours_share": 0.8}


@pytest.mark.parametrize("text", ["many", "nan", "-1", "1e99"])
def test_what_is_no_number_of_a_policy_is_told_by_its_name(tmp_path: Path, text: str) -> None:
    file = tmp_path / "policies_tried.toml"
    file.write_text(tomlkit.dumps({"Mine": as_policy({"coat": text}, "worst")}), encoding="utf-8")
    with pytest.raises(RehitError, match="coat"):
        read_policies(file)


def test_changes_are_those_of_a_year_and_shares_in_points(tmp_path: Path) -> None:
    values = {"visible_days": -200.0, "cost": 5000.0, "share_in_time": 0.02}
    pd.DataFrame([
        {"policy": "A <b>", "measure": f"words of {name}", "average": values.get(name, 0.0),
         "low": values.get(name, 0.0) - 0.01, "high": values.get(name, 0.0) + 0.01, "sure": 1.0}
        for name in MEASURES]).to_csv(tmp_path / "policies_against_today.csv", index=False)
    page = SimpleNamespace(say=Say("en", "EUR"), results=tmp_path)
    row, = changes(page, years=2).to_dict("records")
    assert row["Policy"] == "A <b>"
    assert row["Days all stand"] == "\N{MINUS SIGN}100 (\N{MINUS SIGN}100 to \N{MINUS SIGN}100)"
    assert row["Cost [EUR]"] == "+2,500 (+2,500 to +2,500)"
    assert row["Cleared in time"] == "+2.0 points (+1.0 to +3.0)"
