"""How well each place is known, judged by how the log uses points and addresses as a whole."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.addresses import address_table
from rehit.incidents.ledger import Ledger
from rehit.incidents.meaning import translate
from rehit.incidents.places import Points
from rehit.incidents.vocabulary import Words
from rehit.parameters import Parameters

CODES = ("surveyed", "address", "street", "default", "none")
EXACT_KINDS = ("number", "intersection")


def judge_places(rows: pd.DataFrame, points: Points, *, words: Words, parameters: Parameters,
                 ledger: Ledger) -> pd.DataFrame:
    """Return the address keys and the place quality of every row.

    A point is *surveyed* unless the log speaks against it: *address* where equal addresses share
    one point, *street* where streets or blocks share one point or the point is written too
    coarsely, *default* where one point serves many different addresses. Without a point the
    address alone decides.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    points
        From :func:`rehit.incidents.places.read_points`.
    words
        Vocabulary of a place quality that the log itself states.
    parameters
        Limits in ``defaults/incidents.csv``.
    ledger
        Takes an entry for every point found to be a stand-in.

    Returns
    -------
    pandas.DataFrame
        ``address_key, street_key, address_kind, point`` (number of the distinct point, -1 for
        none) and ``place_quality``.
    """
    table = address_keys(rows["address"])
    table["point"] = _number_points(points)
    there = (table["point"] >= 0).to_numpy()
    quality = np.where(there, "surveyed", "none").astype(object)
    kind = table["address_kind"].to_numpy(dtype=object)
    exact = np.isin(kind, EXACT_KINDS)
    named = np.isin(kind, ("street", "block"))
    quality[~there & exact] = "address"
    quality[~there & named] = "street"
    tiny = _too_few_to_tell(table[there], parameters)
    geocoded = _shares_points(table[there & exact], parameters)
    per_street = _shares_points(table[there & named], parameters)
    quality[there & exact & (geocoded or tiny)] = "address"
    if per_street or geocoded:
        quality[there & named] = "street"
    if per_street:
        # What has no address at all was put on the street's point as well.
        quality[there & ~exact & ~named] = "street"
    quality[there & points.conflict] = "street"
    _mark_coarse(quality, points, there, parameters, ledger)
    _mark_defaults(quality, table, points, there, parameters, ledger)
    stated = translate(rows["place_quality"], words, nothing="")["code"].to_numpy(dtype=object)
    believed = np.isin(stated, CODES) & (there | np.isin(stated, ("address", "street", "none")))
    quality[believed] = stated[believed]
    return table.assign(place_quality=pd.array(quality, dtype="str"))


def address_keys(addresses: pd.Series) -> pd.DataFrame:
    """Return ``address_key, street_key, address_kind`` of a column of addresses.

    The same as :func:`rehit.addresses.address_table` gives, but "12 Elm Street" and "14 Elm Street"
    are taken apart once: a number before plain words does not change how the words are read.

    Parameters
    ----------
    addresses
        As written; empty cells allowed.
    """
    folded = addresses.str.casefold()
    parts = folded.str.extract(r"^0*([1-9]\d{0,4}) ([a-z][a-z .']*[a-z.])$")
    plain = parts[0].notna()
    asked = ("1 " + parts[1]).where(plain, folded)
    table = address_table(asked)[["address_key", "street_key", "address_kind"]]
    simple = plain & (table["address_kind"] == "number") & table["address_key"].str.startswith(
        "1 ").fillna(False)
    key = table["address_key"].mask(simple, parts[0] + table["address_key"].str.slice(1))
    odd = plain & ~simple
    table["address_key"] = key.astype("str")
    if odd.any():  # such as "12 block of Elm Street": the number belongs to the words
        table[odd] = address_table(folded[odd])[list(table.columns)]
    return table


def _number_points(points: Points) -> np.ndarray:
    """Number the distinct points (to a decimetre)."""
    there = ~np.isnan(points.x)
    numbers = np.full(len(points.x), -1, dtype=np.int64)
    whole = pd.DataFrame({"x": np.round(points.x[there] * 10), "y": np.round(points.y[there] * 10)})
    numbers[there] = whole.groupby(["x", "y"], sort=True).ngroup().to_numpy()
    return numbers


def _shares_points(table: pd.DataFrame, parameters: Parameters) -> bool:
    """Whether equal addresses nearly always have one point, so that the point is the address's."""
    grouped = table.groupby("address_key")["point"].agg(["size", "nunique"])
    several = grouped[grouped["size"] > 1]
    if len(several) < parameters["incidents.evidence_min_groups"]:
        return False
    share = float((several["nunique"] == 1).mean())
    return share >= parameters["incidents.one_point_share"]


def _too_few_to_tell(table: pd.DataFrame, parameters: Parameters) -> bool:
    repeated = int((table.groupby("address_key")["point"].size() > 1).sum())
    return repeated < parameters["incidents.evidence_min_groups"]


def _mark_coarse(quality: np.ndarray, points: Points, there: np.ndarray,
                 parameters: Parameters, ledger: Ledger) -> None:
    street = there & (points.decimals < parameters["incidents.address_decimals"])
    default = there & (points.decimals < parameters["incidents.street_decimals"])
    quality[street] = "street"
    quality[default] = "default"
    ledger.add(street, column="place_quality", before=None, after=pd.Series(quality),
               rule="coarse_coordinates")


def _mark_defaults(quality: np.ndarray, table: pd.DataFrame, points: Points, there: np.ndarray,
                   parameters: Parameters, ledger: Ledger) -> None:
    grouped = table[there].groupby("point")
    addresses = grouped["address_key"].nunique()
    streets = grouped["street_key"].nunique()
    stand_in = addresses.index[(addresses >= parameters["incidents.default_point_addresses"])
                               & (streets >= parameters["incidents.default_point_streets"])]
    default = table["point"].isin(stand_in).to_numpy() & there
    ledger.add(default, column="place_quality", before=None, after="default",
               rule="one_point_many_addresses")
    coarse = _coarse_and_repeated(table, points, there, parameters) & ~default
    ledger.add(coarse, column="place_quality", before=None, after="default",
               rule="coarse_point_repeated")
    quality[default | coarse] = "default"


def _coarse_and_repeated(table: pd.DataFrame, points: Points, there: np.ndarray,
                         parameters: Parameters) -> np.ndarray:
    """Find points written more coarsely than the log's habit and used again and again."""
    if not there.any():
        return there
    habit = float(np.median(points.decimals[there]))
    coarser = points.decimals <= habit - parameters["incidents.default_point_fewer_decimals"]
    used = table["point"].map(table.loc[there, "point"].value_counts()).fillna(0).to_numpy()
    return there & coarser & (used >= parameters["incidents.default_point_rows"])
