"""The owner's register of assets, brought to the `register` contract."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from rehit.errors import ManyErrors, RehitError, SettingError, TableError
from rehit.files.headers import plain_words, resolve_columns
from rehit.files.reader import read_table
from rehit.files.rows import RawTable
from rehit.files.spatial import WGS84
from rehit.messages import Message, as_text, message
from rehit.tables import check
from rehit.tables import table as contract
from rehit.words.addresses import address_table
from rehit.words.geometry_text import read_shape
from rehit.words.numbers import coordinate_numbers
from rehit.words.vocabulary import Terms, code_texts, load_words

# Where the assets of a register stand: points, lines or areas in the project's projection.

POINT_PAIRS = (("longitude", "latitude"), ("easting", "northing"))
AREAS = ("Polygon", "MultiPolygon")


def register_geometry(raw: RawTable, chosen: Mapping[str, str], *, crs: object, where: str,
                      file_crs: object = None) -> tuple[gpd.GeoSeries, list[Message],
                                                        list[RehitError]]:
    """Return each row's geometry in the project's CRS (empty where unusable), notes and faults.

    `file_crs` is that of coordinates for which the file names none; None where nobody said.
    """
    target = pyproj.CRS.from_user_input(crs)
    notes: list[Message] = []
    nowhere = gpd.GeoSeries([None] * len(raw.table), index=raw.table.index, crs=target)
    if not target.is_projected:
        return nowhere, notes, [TableError(f"{where}, crs", "errors.project_in_degrees",
                                           crs=target.to_string())]
    shapes = raw.shapes
    if shapes is None:
        shapes = _from_columns(raw.table, chosen, target)
    if shapes is None:
        pairs = tuple(message("errors.pair", x=x, y=y) for x, y in POINT_PAIRS)
        return nowhere, notes, [TableError(where, "errors.no_place_columns", pairs=pairs)]
    if shapes.crs is None:
        shapes = shapes.set_crs(file_crs or _likely_crs(shapes, target))
        notes.append(message("register.no_projection", crs=shapes.crs.to_string()))
    shapes = _usable(shapes, notes).to_crs(target)
    broken = shapes.notna() & ~np.isfinite(shapes.bounds.to_numpy()).all(axis=1)
    return shapes.mask(broken, None), notes, []


def _from_columns(table: pd.DataFrame, chosen: Mapping[str, str],
                  target: pyproj.CRS) -> gpd.GeoSeries | None:
    if "wkt" in chosen:
        return _from_text(table[chosen["wkt"]], target)
    for (x_name, y_name), crs in zip(POINT_PAIRS, (WGS84, None), strict=True):
        if x_name in chosen and y_name in chosen:
            x, y = (coordinate_numbers(table[chosen[n]]) for n in (x_name, y_name))
            good = np.isfinite(x) & np.isfinite(y)
            points = np.full(len(x), None, dtype=object)
            points[good] = shapely.points(x[good], y[good])
            return gpd.GeoSeries(points, index=table.index, crs=crs)
    return None


def _from_text(texts: pd.Series, target: pyproj.CRS) -> gpd.GeoSeries:
    """Read shapes written as text; where they name their CRS it is theirs, else not yet known."""
    with np.errstate(all="ignore"):  # numbers beyond any place are emptied later
        read = [read_shape(text) if isinstance(text, str) else (None, "") for text in texts]
    shapes = gpd.GeoSeries([shapely.set_srid(shape, 0) if shape is not None else None
                            for shape, _ in read], index=texts.index)
    codes = pd.Series([code for _, code in read], index=texts.index, dtype="str")
    named = sorted(set(codes) - {""})
    if not named:
        return shapes
    if len(named) == 1:
        return shapes.set_crs(named[0])
    # Without a code of its own among others that have one, a shape is in the project's.
    whole = shapes.set_crs(target)
    for code in named:
        whole[codes == code] = shapes[codes == code].set_crs(code).to_crs(target)
    return whole


def _likely_crs(shapes: gpd.GeoSeries, target: pyproj.CRS) -> object:
    bounds = shapes.total_bounds
    degrees = np.isfinite(bounds).all() and abs(bounds[[0, 2]]).max() <= 180 and (
        abs(bounds[[1, 3]]).max() <= 90)
    return WGS84 if degrees else target


def _usable(shapes: gpd.GeoSeries, notes: list[Message]) -> gpd.GeoSeries:
    """Flatten, mend broken areas, and empty what cannot be a place: (0, 0), off the globe."""
    flat = gpd.GeoSeries(shapely.force_2d(shapes.to_numpy()), index=shapes.index, crs=shapes.crs)
    finite = np.isfinite(flat.bounds.to_numpy()).all(axis=1)
    flat = flat.where(finite & ~flat.is_empty, None)
    broken = flat.notna() & ~flat.is_valid
    flat = flat.mask(broken & ~flat.geom_type.isin(AREAS), None)  # only areas can be mended
    broken &= flat.notna()
    if broken.any():
        mended = shapely.make_valid(flat[broken].to_numpy())
        flat.loc[broken] = gpd.GeoSeries(mended, index=flat.index[broken], crs=flat.crs)
        notes.append(message("register.mended", n=int(broken.sum())))
    bounds = flat.bounds
    off = bounds.eq(0).all(axis=1)
    if shapes.crs.is_geographic:
        off |= (bounds[["minx", "maxx"]].abs() > 180).any(axis=1)
        off |= (bounds[["miny", "maxy"]].abs() > 90).any(axis=1)
    if off.any():
        notes.append(message("register.off_globe", n=int(off.sum())))
    return flat.mask(off, None)


SQUARE_FOOT_M2 = 0.09290304  # international foot, exact
#: What a crew is told where the file says it; a file without it has no such column.
FOR_CREWS = ("asset_name", "colour", "opens", "closes", "permit")
_SHOWN = 10


@dataclass(frozen=True)
class RegisterReading:
    """The register, the rows that have no place (kept apart, not lost) and what was noticed."""

    register: gpd.GeoDataFrame
    without_place: pd.DataFrame
    notes: tuple[Message | str, ...]


def read_register(path: Path | str, *, crs: object, columns: Mapping[str, str] | None = None,
                  vocabulary: Path | str | None = None, sheet: str | None = None,
                  layer: str | None = None, extra: Sequence[str] = (),
                  file_crs: object = None) -> gpd.GeoDataFrame:
    """Read a register; see :func:`inspect_register`, whose notes stand in ``.attrs["notes"]``."""
    reading = inspect_register(path, crs=crs, columns=columns, vocabulary=vocabulary, sheet=sheet,
                               layer=layer, extra=extra, file_crs=file_crs)
    register = reading.register.copy()
    register.attrs["notes"] = [as_text(note) if isinstance(note, Message) else note
                               for note in reading.notes]
    return register


def inspect_register(path: Path | str, *, crs: object, columns: Mapping[str, str] | None = None,
                     vocabulary: Path | str | None = None, sheet: str | None = None,
                     layer: str | None = None, extra: Sequence[str] = (),
                     file_crs: object = None) -> RegisterReading:
    """Read a register file to the `register` contract and say how each column was understood.

    Parameters
    ----------
    path
        GeoJSON, GeoPackage, FlatGeobuf, shapefile, (Geo)Parquet, CSV/TSV or workbook.
    crs
        The project's projected CRS; the result is in it. A file that names no CRS is taken as
        degrees when all its values could be, else as this CRS.
    columns
        Field to column name where the header words do not tell, such as
        ``{"asset_id": "Ref", "substrate": "Mat."}``.
    vocabulary
        CSV of own words for surfaces and kinds of asset (see :mod:`rehit.words.vocabulary`).
    sheet, layer
        Which sheet of a workbook or layer of a spatial file.
    extra
        Further columns of the file to carry under their own names, such as ``lit``: as numbers
        where every filled cell is one, else as words in lower case.
    file_crs
        CRS of coordinates whose CRS the file does not name.

    Returns
    -------
    RegisterReading
        `register` has points, lines or polygons as they came (broken polygons mended). Rows
        without a usable place are in `without_place`. Unknown substrate words become "unknown";
        without word on it an asset is not heritage, may be coated unless it is heritage, is
        reached from the ground and needs no traffic control. Each such default is noted.

    Raises
    ------
    InputFileError
        If the file cannot be read.
    ManyErrors
        Listing all faults at once: columns not found, no number column, no place columns,
        several assets with one number.
    """
    where = Path(path).name
    raw = read_table(path, sheet=sheet, layer=layer, has_header=True, places=False).filled()
    chosen, understood, faults = resolve_columns(
        list(raw.table.columns), columns, kind="register", needed=("asset_id",), where=where)
    own = None if "asset_id" in (columns or {}) else _own_number(raw, chosen)
    if own is not None:
        rows = chosen["asset_id"]
        chosen, understood, faults = resolve_columns(
            list(raw.table.columns), {**(columns or {}), "asset_id": own}, kind="register",
            needed=("asset_id",), where=where)
        understood = [message("register.own_number", column=own, other=rows),
                      *(note for note in understood if note.facts.get("field") != "asset_id")]
    notes: list[Message | str] = [*raw.notes, *understood]
    shapes, shape_notes, shape_faults = register_geometry(raw, chosen, crs=crs, where=where,
                                                          file_crs=file_crs)
    faults += shape_faults + _extra_faults(raw, chosen, extra, where=where)
    if faults:
        raise ManyErrors(where, faults)
    words = load_words(vocabulary)
    table, field_notes = _fields(raw, chosen, words)
    table = table.assign(**{name: _as_written(raw.table[name]) for name in extra})
    frame = gpd.GeoDataFrame(table, geometry=shapes)
    frame, id_notes, id_faults = _unique_ids(frame, where=where)
    if id_faults:
        raise ManyErrors(where, id_faults)
    placed = ~(frame.geometry.isna() | frame.geometry.is_empty)
    register = frame[placed].reset_index(drop=True)
    if not placed.all():
        lost = frame.loc[~placed, "asset_id"]
        field_notes.append(message("register.no_place", n=len(lost), assets=_some(lost)))
    if register.empty:
        raise TableError(where, "errors.no_usable_place")
    check(register, "register", where=where)
    return RegisterReading(register, pd.DataFrame(frame[~placed].drop(columns="geometry")),
                           (*notes, *shape_notes, *field_notes, *id_notes))


# Numbers that mapping software gives to rows: another export may number them otherwise.
_ROW_NUMBERS = frozenset(("objectid", "object id", "fid", "ogc fid", "gid", "row id"))
_NUMBER_WORDS = frozenset(("id", "nr", "no", "num", "number", "ref", "code", "nummer", "numero"))


def _own_number(raw: RawTable, chosen: Mapping[str, str]) -> str | None:
    """Return the owner's own number where else the software's row number would be taken.

    It is named for the thing ("gefaess_id"), filled in every row and never the same twice.
    """
    if plain_words(chosen.get("asset_id", "")) not in _ROW_NUMBERS:
        return None
    for name in map(str, raw.table.columns):
        words = plain_words(name)
        cells = raw.table[name]
        if (name not in chosen.values() and words not in _ROW_NUMBERS and " " in words
                and words.split()[-1] in _NUMBER_WORDS and cells.notna().all()
                and cells.is_unique):
            return name
    return None


def _fields(raw: RawTable, chosen: Mapping[str, str], words: Mapping[str, Terms]) -> tuple[
        pd.DataFrame, list[Message]]:
    notes: list[Message] = []
    rows = raw.table.index

    def column(field: str) -> pd.Series:
        if field in chosen:
            return raw.table[chosen[field]]
        return pd.Series([None] * len(rows), index=rows, dtype="str")

    address = column("address")
    keys = address_table(address)
    table = pd.DataFrame({
        "asset_id": column("asset_id"),
        "asset_type": _asset_type(column("asset_type"), words),
        "substrate": code_texts(column("substrate"), kind="substrate", words=words),
        "finish": _finish(column("finish"), column("substrate"), words),
        "wall_area_m2": _area(column, notes),
        "owner": column("owner"),
        "address": address,
        "address_key": keys["address_key"],
        "street_key": keys["street_key"],
        "heritage": _flag(column("heritage"), words, default=False, name="heritage",
                          notes=notes).astype(bool),
    })
    # What nobody has said stays unknown, but for what is listed: that is not coated without a yes.
    table["coating_allowed"] = _flag(
        column("coating_allowed"), words, name="coating_allowed", notes=notes,
        default=table["heritage"].map({True: False}).astype("boolean"))
    table["coated_at"] = pd.to_datetime(column("coated_at"), errors="coerce", utc=True,
                                        format="ISO8601").dt.as_unit("us")
    table["access"] = code_texts(column("access"), kind="access", words=words,
                                 otherwise="ground")
    table["traffic_control"] = _flag(column("traffic_control"), words, default=False,
                                     name="traffic_control", notes=notes).astype(bool)
    _note_unknown(column("substrate"), table["substrate"], notes)
    return table.assign(**{name: column(name) for name in FOR_CREWS if name in chosen}), notes


def _extra_faults(raw: RawTable, chosen: Mapping[str, str], extra: Sequence[str], *,
                  where: str) -> list[RehitError]:
    """Return a fault for each further column that is not there or already has a meaning."""
    taken = {*chosen.values(), *contract("register").names}
    free = [str(name) for name in raw.table.columns if name not in taken]
    return [SettingError(f"{where}, register_effects", "errors.no_free_column", name=name,
                         free=tuple(free))
            for name in extra if name not in free]


def _as_written(values: pd.Series) -> pd.Series:
    """Return numbers where every filled cell is one, else words in lower case."""
    numbers = pd.to_numeric(values, errors="coerce")
    if values.notna().any() and numbers.notna().eq(values.notna()).all():
        return numbers.astype("float64")
    return values.str.strip().str.lower().astype("str")


def _asset_type(values: pd.Series, words: Mapping[str, Terms]) -> pd.Series:
    """A known kind by its code, any other as written in lower case."""
    coded = code_texts(values, kind="asset_type", words=words, otherwise="")
    return coded.where(coded != "", values.fillna("unknown").str.lower()).astype("str")


def _finish(finish: pd.Series, substrate: pd.Series, words: Mapping[str, Terms]) -> pd.Series:
    """The finish column where it says, else what the surface words say ("Metal - Painted")."""
    own = code_texts(finish, kind="finish", words=words)
    flag = code_texts(finish, kind="yes_no", words=words, otherwise="")
    own = own.mask(own.eq("unknown") & flag.eq("yes"), "painted")
    own = own.mask(own.eq("unknown") & flag.eq("no"), "bare")
    return own.where(own != "unknown", code_texts(substrate, kind="finish", words=words))


def _area(column: Callable[[str], pd.Series], notes: list[Message]) -> pd.Series:
    def number(field: str) -> pd.Series:
        text = column(field).str.replace(",", ".", regex=False)
        value = pd.to_numeric(text.str.extract(r"^\s*(\d+(?:\.\d+)?)", expand=False),
                              errors="coerce").astype(float)
        found: pd.Series = value.where(value > 0)
        return found

    area = number("wall_area_m2").fillna(number("wall_area_sqft") * SQUARE_FOOT_M2)
    product = number("length_m") * number("height_m")
    if (area.isna() & product.notna()).any():
        notes.append(message("register.area_product",
                             n=int((area.isna() & product.notna()).sum())))
    return area.fillna(product)


def _flag(values: pd.Series, words: Mapping[str, Terms], *, default: pd.Series | bool, name: str,
          notes: list[Message]) -> pd.Series:
    coded = code_texts(values, kind="yes_no", words=words, otherwise="")
    unsaid = coded.eq("")
    if unsaid.any():
        strange = tuple(f"'{word}'" for word in sorted(values[unsaid].dropna().unique())[:3])
        said = isinstance(default, bool)
        facts = {"field": name, "n": int(unsaid.sum())}
        notes.append(message("register.flag_strange", words=strange, **facts) if strange
                     else message(f"register.flag_{'unsaid' if said else 'open'}", **facts))
    return pd.Series(coded.eq("yes").astype("boolean").where(~unsaid, default))


def _note_unknown(written: pd.Series, coded: pd.Series, notes: list[Message]) -> None:
    strange = written[coded.eq("unknown")].dropna()
    if len(strange):
        words = tuple(f"'{word}'" for word in sorted(strange.unique())[:_SHOWN])
        notes.append(message("register.unknown_surfaces", n=len(strange), words=words))


def _unique_ids(frame: gpd.GeoDataFrame, *, where: str) -> tuple[
        gpd.GeoDataFrame, list[Message], list[RehitError]]:
    notes: list[Message] = []
    frame = frame.copy()
    nameless = frame["asset_id"].isna()
    if nameless.any():
        frame.loc[nameless, "asset_id"] = [f"row {r}" for r in frame.index[nameless]]
        notes.append(message("register.nameless", n=int(nameless.sum()),
                             assets=_some(frame.loc[nameless, "asset_id"])))
    marks = frame.geometry.to_wkb()
    same = pd.DataFrame(frame.drop(columns="geometry")).assign(mark=marks).duplicated()
    if same.any():
        notes.append(message("register.repeated", n=int(same.sum())))
        frame = frame[~same]
    twice = frame.loc[frame["asset_id"].duplicated(keep=False), "asset_id"]
    faults: list[RehitError] = [
        TableError(message("where.asset", file=where, asset=str(asset)), "errors.same_asset_number",
                   n=int(count))
        for asset, count in twice.value_counts().sort_index().items()]
    return frame, notes, faults


def _some(names: pd.Series) -> tuple[str, ...]:
    """Return the first of some names, with a sign that there are more."""
    return (*names.head(_SHOWN), *(("…",) if len(names) > _SHOWN else ()))
