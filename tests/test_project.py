"""A project file is read whole and its faults are listed at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.errors import InputFileError, ManyErrors, SettingError
from rehit.project import load_project

GOOD = """
[project]
name = "Invented"
crs = "EPSG:32625"
time_zone = "Europe/Lisbon"
study_area = [-33.1, 45.9, -32.9, 46.1]

[files]
log = ["a.csv", "b.csv"]

[costs]
discount_rate = 0.02
"""


def write(folder: Path, text: str) -> Path:
    for name in ("a.csv", "b.csv"):
        (folder / name).write_text("x\n1\n", encoding="utf-8")
    (folder / "rehit.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_good_file_gives_facts_paths_and_overrides(tmp_path: Path) -> None:
    project = load_project(write(tmp_path, GOOD))
    assert project.name == "Invented"
    assert project.files["log"] == (tmp_path / "a.csv", tmp_path / "b.csv")
    assert project.parameters["costs.discount_rate"] == 0.02
    assert project.study_area == (-33.1, 45.9, -32.9, 46.1)


def test_every_fault_is_listed_with_file_and_key(tmp_path: Path) -> None:
    text = (GOOD.replace("EPSG:32625", "EPSG:4326").replace("Europe/Lisbon", "Nowhere/Town")
            .replace('"b.csv"', '"c.csv"').replace("0.02", "7")) + "\n[colour]\nx = 1\n"
    with pytest.raises(ManyErrors) as caught:
        load_project(write(tmp_path, text))
    message = str(caught.value)
    assert len(caught.value.errors) == 5
    for part in ("[project] crs", "[project] time_zone", "c.csv", "costs.discount_rate",
                 "[colour]"):
        assert part in message


def test_holidays_that_are_no_text_are_a_fault(tmp_path: Path) -> None:
    with pytest.raises(ManyErrors, match="holidays"):
        load_project(write(tmp_path, GOOD.replace("[project]", "[project]\nholidays = 5", 1)))


def test_register_effects_are_a_list_of_names(tmp_path: Path) -> None:
    said = "[project]\nregister_effects = "
    project = load_project(write(tmp_path, GOOD.replace("[project]", said + '["lit"]', 1)))
    assert project.register_effects == ("lit",)
    with pytest.raises(ManyErrors, match="register_effects"):
        load_project(write(tmp_path, GOOD.replace("[project]", said + '"lit"', 1)))


@pytest.mark.parametrize("content", [b"[project", b"\xff\xfe[\x00", b"name = 'a\n"])
def test_unreadable_toml_is_one_message(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "rehit.toml").write_bytes(content)
    with pytest.raises(InputFileError, match="unreadable TOML"):
        load_project(tmp_path)


def test_a_missing_project_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="rehit new"):
        load_project(tmp_path / "nowhere")


def test_a_needed_file_that_is_not_named_is_asked_for(tmp_path: Path) -> None:
    project = load_project(write(tmp_path, GOOD))
    with pytest.raises(SettingError, match="register"):
        project.require("register")


@pytest.mark.parametrize(("text", "meant"), [
    ('[project]\ntimezone = "UTC"\n', "perhaps time_zone is meant"),
    ('[files]\nvehicle = "v.csv"\n', "perhaps vehicles is meant"),
    ("[Patrol]\nlook_minutes = 3\n", "perhaps patrol is meant"),
    ("[cost]\ndiscount_rate = 0.03\n", "perhaps costs is meant")])
def test_a_misspelt_word_brings_the_one_that_was_meant(
        tmp_path: Path, text: str, meant: str) -> None:
    (tmp_path / "rehit.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ManyErrors, match=meant):
        load_project(tmp_path)


@pytest.mark.parametrize(("section", "said"), [
    ("[patrol]\nmin_interval_days = 20\nmax_interval_days = 5",
     ("[patrol] min_interval_days and max_interval_days",
      "min_interval_days = 20 above max_interval_days = 5;", "both in days")),
    ("[patrol]\nmax_interval_days = 1\nmin_interval_days = 2.5", ("= 2.5 above",)),
    ("[hotspots]\nradius_low_m = 400",
     ("[hotspots] radius_low_m and radius_high_m", "radius_high_m = 150 (the default)"))])
def test_limits_that_cross_are_one_message_with_both_keys_and_the_file(
        tmp_path: Path, section: str, said: tuple[str, ...]) -> None:
    with pytest.raises(ManyErrors) as caught:
        load_project(write(tmp_path, f"{GOOD}\n{section}\n"))
    assert len(caught.value.errors) == 1
    for part in (str(tmp_path / "rehit.toml"), *said):
        assert part in str(caught.value)


def test_limits_that_meet_are_no_fault(tmp_path: Path) -> None:
    text = f"{GOOD}\n[patrol]\nmin_interval_days = 5\nmax_interval_days = 5\n"
    assert load_project(write(tmp_path, text)).parameters["patrol.max_interval_days"] == 5


def test_a_background_of_the_map_is_an_https_address_with_its_three_parts(tmp_path: Path) -> None:
    said = "[project]\nmap_tiles = "
    address = "https://tiles.example.org/{z}/{x}/{y}.png"
    project = load_project(write(tmp_path, GOOD.replace("[project]", f'{said}"{address}"', 1)))
    assert project.map_tiles == address
    for wrong in ("http://tiles.example.org/{z}/{x}/{y}.png", "https://tiles.example.org/{z}.png",
                  "https://tiles.example.org 'self'/{z}/{x}/{y}"):
        with pytest.raises(ManyErrors, match="map_tiles"):
            load_project(write(tmp_path, GOOD.replace("[project]", f'{said}"{wrong}"', 1)))
