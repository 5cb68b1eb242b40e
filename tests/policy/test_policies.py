"""Policies are read from a file of the user's, and what cannot be is said in one go."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.errors import InputFileError, ManyErrors
from rehit.policy.policies import LIMITS, TODAY, Policy, read_policies


def test_what_a_policy_does_not_set_is_as_today(tmp_path: Path) -> None:
    file = tmp_path / "policies.toml"
    file.write_text('[fewer]\ncrews_more = -1\n[rename_only]\n', encoding="utf-8")
    today, fewer, renamed = read_policies(file)
    assert today == Policy(name=TODAY)
    assert fewer == Policy(name="fewer", crews_more=-1.0)
    assert (fewer.as_today, renamed.as_today) == (False, True)


def test_every_fault_of_a_file_is_named_at_once(tmp_path: Path) -> None:
    file = tmp_path / "policies.toml"
    file.write_text('top = 1\n[a]\ncrews = 2\nhours_share = -1\nlook_at = "all"\ncoat = true\n'
                    '[today]\ncoat = 1\n', encoding="utf-8")
    with pytest.raises(ManyErrors) as told:
        read_policies(file)
    assert [error.code for error in told.value.errors] == [
        "errors.not_a_policy", "errors.unknown_name", "errors.policy_number",
        "errors.policy_choice", "errors.policy_number", "errors.not_a_policy"]


@pytest.mark.parametrize(("text", "code"), [
    ("", "errors.no_policies"), ("[a", "errors.unreadable_toml")])
def test_a_file_without_policies_is_refused(text: str, code: str, tmp_path: Path) -> None:
    file = tmp_path / "policies.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError) as told:
        read_policies(file)
    assert told.value.code == code


def test_every_number_of_a_policy_has_limits() -> None:
    numbers = set(vars(Policy(name="x"))) - {"name", "look_at", "order"}
    assert numbers == set(LIMITS)
