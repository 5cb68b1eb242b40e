"""What is kept between runs is taken only where it is what would be made anew."""

from __future__ import annotations

import dataclasses
import errno
import json
import pickle
import shutil
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from whole_town import make_whole_town

import rehit.chain as chains
import rehit.kept as kept_module
from rehit.chain import Chain
from rehit.cli import main
from rehit.errors import DataWarning
from rehit.kept import FOLDER, Kept, results_kept
from rehit.parameters import load_parameters
from rehit.project import Project, load_project

LASTING = tuple(name for name, value in vars(Chain).items()
                if isinstance(value, chains._Result) and value.lasts)
KEY = bytes(range(32))


@pytest.fixture(scope="module", autouse=True)
def _home(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Chain:
    """A town with every kind of file, each result made and kept."""
    folder = make_whole_town(tmp_path_factory.mktemp("made") / "town")
    chain = opened(folder)
    for name in LASTING:
        getattr(chain, name)
    return chain


def opened(folder: Path, **how: Any) -> Chain:
    project = load_project(folder)
    return Chain(project, kept=results_kept(project, **how))


def copied(chain: Chain, to: Path) -> Path:
    shutil.rmtree(to, ignore_errors=True)
    return Path(shutil.copytree(chain.project.folder, to))


def taken(chain: Chain) -> set[str]:
    """Return the results that a run would take from before."""
    return {name for name in LASTING
            if chain._from_before(vars(Chain)[name]) is not None}


def read_by(chain: Chain, *names: str) -> set[str]:
    """Return the lasting results that read one of these."""
    return {name for name in LASTING if not chain._done[name][1].isdisjoint(names)}


def same(one: Any, other: Any) -> None:
    """Hold two results to be equal: types, order, index, CRS and notes of the tables included."""
    assert type(one) is type(other)
    if isinstance(one, pd.DataFrame):
        assert_frame_equal(one, other, check_exact=True)
        assert getattr(one, "crs", None) == getattr(other, "crs", None)
        assert one.attrs == other.attrs
    elif dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            same(getattr(one, field.name), getattr(other, field.name))
    elif isinstance(one, tuple):
        for pair in zip(one, other, strict=True):
            same(*pair)
    else:
        assert one == other


def test_a_second_run_takes_all_and_makes_nothing(
        made: Chain, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Chain, "_made", lambda _self, result: pytest.fail(f"{result.name} made"))
    again = opened(made.project.folder)
    for name in LASTING:
        same(getattr(again, name), getattr(made, name))
    assert set(again.taken) == set(LASTING)


def test_what_is_taken_is_what_a_run_makes_that_keeps_nothing(
        made: Chain, monkeypatch: pytest.MonkeyPatch) -> None:
    """And a project is the same one by whatever path it is opened."""
    alone = Chain(load_project(made.project.folder))
    monkeypatch.chdir(made.project.folder)
    again = opened(Path())
    for name in LASTING:
        same(getattr(again, name), getattr(alone, name))
    assert set(again.taken) == set(LASTING)


@given(role=st.sampled_from(["log", "register", "works", "streets", "measures"]),
       place=st.floats(0, 1, exclude_max=True), other=st.integers(1, 255))
def test_every_changed_byte_of_a_file_is_noticed(
        made: Chain, tmp_path_factory: pytest.TempPathFactory, role: str, place: float,
        other: int) -> None:
    """Time and size stay: what else reads no such file is taken all the same."""
    town = copied(made, tmp_path_factory.getbasetemp() / "changed")
    path = load_project(town).files[role][0]
    before, data = path.stat(), bytearray(path.read_bytes())
    data[int(place * len(data))] ^= other
    path.write_bytes(data)
    kept_module.os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert taken(opened(town)) == set(LASTING) - read_by(made, f"files.{role}")


def test_each_file_reaches_what_is_made_from_it(made: Chain) -> None:
    assert read_by(made, "files.measures") == set()
    assert read_by(made, "files.streets") == {"place_names"}
    assert set(LASTING) - read_by(made, "files.register") == {
        "n_rows", "mapping", "cleaned", "works"}
    assert set(LASTING) - read_by(made, "files.log") == {"register", "works"}
    assert {"calibration", "advice", "strategy_costs", "expected_work"} <= read_by(
        made, "files.works")


def test_a_file_that_is_added_to_or_taken_from_the_project_is_noticed(
        made: Chain, tmp_path: Path) -> None:
    town = copied(made, tmp_path / "town")
    text = (town / "rehit.toml").read_text("utf-8")
    (town / "words.csv").write_text("field,word,code\n", "utf-8")
    (town / "rehit.toml").write_text(text.replace(
        "[files]", '[files]\nvocabulary = "words.csv"'), "utf-8")
    assert {"cleaned", "incidents", "repeats", "register"}.isdisjoint(taken(opened(town)))
    (town / "rehit.toml").write_text(text.replace('works = "works.csv"\n', ""), "utf-8")
    assert taken(opened(town)) == set(LASTING) - read_by(made, "files.works")


def test_what_lies_beside_a_file_under_its_name_belongs_to_it(made: Chain, tmp_path: Path) -> None:
    """A shapefile's coordinates stand in one file, its columns in a second."""
    town = copied(made, tmp_path / "town")
    (town / "register.prj").write_text("a projection", "utf-8")
    assert "register" not in taken(opened(town))


@given(name=st.sampled_from([row.name for row in load_parameters().rows()]), up=st.booleans())
def test_every_changed_number_is_noticed(made: Chain, name: str, up: bool) -> None:
    row = made.parameters.row(name)
    if row.value == (other := row.high if up else row.low):
        return
    project = load_project(made.project.folder)
    changed = dataclasses.replace(project, parameters=project.parameters.override({name: other}))
    assert taken(Chain(changed, kept=results_kept(project))) == (
        set(LASTING) - read_by(made, name))


def test_a_default_that_the_user_sets_is_another_number(made: Chain) -> None:
    """The works log corrects a default, and leaves what the user set."""
    name = "costs.minutes_per_visit_paint_out"
    changed = opened(made.project.folder).with_parameters({name: made.parameters[name]})
    assert taken(changed) == set(LASTING) - read_by(made, name) != set(LASTING)


@pytest.mark.parametrize(("setting", "value"), [
    ("crs", "EPSG:32626"), ("time_zone", "Europe/Paris"), ("seed", 2), ("holidays", "FR"),
    ("study_area", (-60.0, 40.0, 10.0, 50.0)), ("extract_end", "2026-01-01"), ("currency", "$"),
    ("register_effects", ("lit",)), ("register_crs", "EPSG:4326"), ("price_year", 2020)])
def test_every_other_setting_is_noticed(made: Chain, setting: str, value: Any) -> None:
    project = dataclasses.replace(load_project(made.project.folder), **{setting: value})
    assert taken(Chain(project, kept=results_kept(project))) == set()


def test_another_language_takes_all(made: Chain) -> None:
    project = dataclasses.replace(load_project(made.project.folder), language="es")
    assert taken(Chain(project, kept=results_kept(project))) == set(LASTING)


@pytest.mark.parametrize(("what", "other"), [("_code", "other"), ("_versions", {"numpy": "0"})])
def test_another_version_is_noticed(
        made: Chain, what: str, other: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_module, what, lambda: other)
    assert taken(opened(made.project.folder)) == set()


def test_effects_of_strategies_are_told_apart(made: Chain) -> None:
    chain = opened(made.project.folder).with_effects({"permanent_coating": 0.5})
    assert set(LASTING) - taken(chain) == read_by(made, chains.EFFECTS) >= {"strategy_costs"}
    mine = chain.strategy_costs
    again = opened(made.project.folder).with_effects({"permanent_coating": 0.5})
    same(again.strategy_costs, mine)
    assert again.taken == ("strategy_costs",)


def test_what_is_made_from_handed_results_is_neither_taken_nor_kept(
        made: Chain, tmp_path: Path) -> None:
    town = copied(made, tmp_path / "town")
    part = opened(town).given(incidents=made.incidents.head(40))
    others = set(LASTING) - {"incidents"}
    assert taken(part) & others == others - read_by(made, "incidents")
    files = sorted((town / FOLDER).iterdir())
    assert part.repeats["n_incidents"].sum() == 40 < made.repeats["n_incidents"].sum()
    assert sorted((town / FOLDER).iterdir()) == files


def test_what_warned_is_made_again_and_warns_again(tmp_path: Path) -> None:
    town = make_whole_town(tmp_path / "town")
    (town / "works.csv").write_text("work_id,done_at\n", "utf-8")
    for _ in range(2):
        chain = opened(town)
        with pytest.warns(DataWarning, match=r"works\.csv"):
            assert chain.works is None
        assert chain.calibration is None
        assert chain.taken == ()
    assert not (town / FOLDER).exists()


# What a folder from somebody else may hold.

def one_kept(folder: Path) -> tuple[Project, Path, Kept]:
    folder.mkdir(exist_ok=True)
    project = Project(folder, "Town", "EPSG:32625", "Europe/Lisbon")
    kept = Kept(project, key=KEY, limit_bytes=1e6)
    kept.keep("thing", {"a": 1}, {"x": "1"})
    (file,) = (folder / FOLDER).iterdir()
    return project, file, kept


def holds(_: str) -> str:
    return "1"


@given(place=st.floats(0, 1, exclude_max=True), other=st.integers(1, 255))
def test_a_kept_file_of_which_a_byte_changed_is_passed_over(
        tmp_path_factory: pytest.TempPathFactory, place: float, other: int) -> None:
    _, file, kept = one_kept(tmp_path_factory.mktemp("tampered"))
    assert kept.find("thing", holds) == ({"a": 1}, frozenset({"x"}))
    data = bytearray(file.read_bytes())
    data[int(place * len(data))] ^= other
    file.write_bytes(data)
    assert kept.find("thing", holds) is None


@given(length=st.floats(0, 1, exclude_max=True))
def test_half_a_file_is_passed_over(
        tmp_path_factory: pytest.TempPathFactory, length: float) -> None:
    _, file, kept = one_kept(tmp_path_factory.mktemp("half"))
    file.write_bytes(file.read_bytes()[:int(length * file.stat().st_size)])
    assert kept.find("thing", holds) is None


class Harm:
    """Calls a function when it is unpickled."""

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[str]]:
        return pytest.fail, ("a foreign pickle was opened",)


def test_what_another_user_kept_is_never_opened(tmp_path: Path) -> None:
    project, _, kept = one_kept(tmp_path / "town")
    other = Kept(project, key=bytes(32), limit_bytes=1e6)
    other.keep("thing", Harm(), {"x": "1"})
    with pytest.raises(pytest.fail.Exception):
        other.find("thing", holds)
    assert kept.find("thing", holds) == ({"a": 1}, frozenset({"x"}))


def test_one_result_does_not_pass_for_another(tmp_path: Path) -> None:
    _, file, kept = one_kept(tmp_path / "town")
    file.rename(file.with_name(file.name.replace("thing", "other")))
    assert kept.find("other", holds) is None


def test_a_folder_that_leads_elsewhere_is_left_alone(tmp_path: Path) -> None:
    (mine := tmp_path / "mine").mkdir()
    for number in range(3):
        (mine / f"thing-{number}.txt").write_text("mine", "utf-8")
    (tmp_path / FOLDER).symlink_to(mine)
    project = Project(tmp_path, "Town", "EPSG:32625", "Europe/Lisbon")
    Kept(project, key=KEY, limit_bytes=1e6).keep("thing", 1, {"x": "1"})
    assert len(list(mine.iterdir())) == 3
    (tmp_path / FOLDER).unlink()
    mine.rename(tmp_path / FOLDER)
    Kept(project, key=KEY, limit_bytes=1e6).keep("thing", 1, {"x": "1"})
    assert len(list((tmp_path / FOLDER).glob("*.txt"))) == 3


def test_the_key_is_the_user_s_own_and_an_empty_one_is_replaced(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    file = tmp_path / "rehit" / "key"
    first = kept_module._user_key()
    assert kept_module._user_key() == first == file.read_bytes()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    file.write_bytes(b"")
    assert len(kept_module._user_key()) == 32


# What is kept is bounded, and never stops a run.

def test_the_folder_is_the_owner_s_alone(tmp_path: Path) -> None:
    _, file, _ = one_kept(tmp_path / "town")
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_the_two_used_last_of_each_result_are_kept(tmp_path: Path) -> None:
    _, _, kept = one_kept(tmp_path / "town")
    kept.keep("thing", 2, {"x": "2"})
    assert kept.find("thing", holds) is not None  # the older one, used again
    kept.keep("thing", 3, {"x": "3"})
    kept.keep("other", 4, {"x": "4"})
    assert [kept.find("thing", lambda _, n=n: n) is not None for n in "123"] == [
        True, False, True]
    assert kept.find("other", lambda _: "4") == (4, frozenset({"x"}))


def test_all_together_stay_within_the_limit(tmp_path: Path) -> None:
    project, file, _ = one_kept(tmp_path / "town")
    size = file.stat().st_size
    kept = Kept(project, key=KEY, limit_bytes=2.5 * size)
    for number in range(5):
        kept.keep(f"thing{number}", {"a": number}, {"x": "1"})
    assert [bool(kept.find(f"thing{number}", holds)) for number in range(5)] == [
        False, False, False, True, True]
    kept.keep("large", bytes(kept_module.secrets.token_bytes(3 * size)), {"x": "1"})
    assert kept.find("large", holds) is None
    assert sum(each.stat().st_size for each in file.parent.iterdir()) <= 2.5 * size


def test_nothing_is_kept_where_the_limit_is_nought_or_there_is_no_home(
        made: Chain, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project = load_project(made.project.folder)
    none = dataclasses.replace(project, parameters=project.parameters.override(
        {"pipeline.kept_mb": 0}))
    assert results_kept(none) is None
    (tmp_path / "no folder").write_text("", "utf-8")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "no folder"))
    assert results_kept(project) is None


def test_a_folder_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    town = make_whole_town(tmp_path / "town")
    (town / FOLDER).write_text("not a folder", "utf-8")
    assert len(opened(town).cleaned.incidents)
    assert (town / FOLDER).read_text("utf-8") == "not a folder"


def test_a_full_disk_leaves_no_half_file(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, file, kept = one_kept(tmp_path / "town")
    no_room = OSError(errno.ENOSPC, "No space left on device")
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(no_room))
    kept.keep("late", 1, {"x": "1"})
    assert list(file.parent.iterdir()) == [file]


def test_a_file_written_while_it_was_read_leaves_nothing(tmp_path: Path) -> None:
    _, file, kept = one_kept(tmp_path / "town")
    (log := tmp_path / "log.csv").write_text("a", "utf-8")
    assert kept.content((log,)) is not None
    log.write_text("another", "utf-8")
    kept.keep("late", 1, {"x": "1"})
    assert list(file.parent.iterdir()) == [file]


def test_a_file_that_cannot_be_read_stands_for_nothing(tmp_path: Path) -> None:
    _, _, kept = one_kept(tmp_path / "town")
    assert kept.content((tmp_path / "absent.csv",)) is None


# The commands.

def ran(command: str, town: Path, out: Path, *options: str) -> dict[str, bytes]:
    """Run a command and return what it wrote."""
    assert main([command, str(town), "--out", str(out), *options]) == 0
    return written_in(out)


def written_in(out: Path) -> dict[str, bytes]:
    """Return the files of a folder, but for when they were written and where.

    A workbook bears its hour in its properties, a GeoPackage in a table of its own.
    """
    found: dict[str, bytes] = {}
    for path in out.rglob("*"):
        if path.suffix == ".xlsx":
            with ZipFile(path) as parts:
                found |= {f"{path.name}/{name}": parts.read(name) for name in parts.namelist()
                          if name != "docProps/core.xml"}
        elif path.is_file() and path.name not in ("run_log.json", "summary.json", "hotspots.gpkg"):
            found[str(path.relative_to(out))] = path.read_bytes()
    return found


def log_of(out: Path) -> dict[str, Any]:
    return dict(json.loads((out / "run_log.json").read_text("utf-8")))


@pytest.fixture(scope="module")
def makes() -> Iterator[list[str]]:
    """The names of the results that are made, in turn."""
    names: list[str] = []
    make = Chain._made
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Chain, "_made", lambda self, result: (
            names.append(result.name), make(self, result))[1])
        patch.setattr("rehit.report.figures.to_svg", lambda _: b"<svg/>")
        yield names


@pytest.fixture(scope="module")
def reported(tmp_path_factory: pytest.TempPathFactory, makes: list[str]) -> Path:
    """A town whose report was written, beside it in ``report``."""
    home = tmp_path_factory.mktemp("reported")
    ran("report", make_whole_town(home / "town"), home / "report")
    assert {"cleaned", "incidents", "repeats", "advice"} <= set(makes)
    return home / "town"


@pytest.mark.parametrize("command", [
    "report", "price", "clean", "hotspots", "compare", "programme", "patrol", "evaluate"])
def test_a_command_after_a_report_begins_where_it_ended(
        command: str, reported: Path, makes: list[str], tmp_path: Path) -> None:
    """None of the results that it shares with the report is made, and it writes the same files."""
    shared = {path.name.partition("-")[0] for path in (reported / FOLDER).iterdir()}
    makes.clear()
    kept = ran(command, reported, tmp_path / "kept")
    assert shared.isdisjoint(makes)
    log = log_of(tmp_path / "kept")
    assert "n_rows" in log["results_taken_from_before"] or command == "evaluate"
    assert {"cleaned", "costing"}.intersection(log["results_taken_from_before"])
    assert log["steps"][0]["step"] == "step.taken"
    if command == "report":
        anew = reported.parent / "report"
        assert kept == written_in(anew)
    else:
        anew = tmp_path / "anew"
        assert ran(command, reported, anew, "--anew") == kept
    assert log_of(anew)["results_taken_from_before"] == []


def test_results_that_last_can_be_pickled_with_their_kinds(made: Chain) -> None:
    """Nothing that is made is left out for want of a way to keep it."""
    for name in LASTING:
        plain = pickle.dumps(getattr(made, name), protocol=5)
        same(pickle.loads(plain), getattr(made, name))
        # Numbers read out of a kept result would be heard by nobody.
        assert b"rehit.parameters" not in plain, name
    assert {path.name.partition("-")[0] for path in (made.project.folder / FOLDER).iterdir()} == (
        set(LASTING))
