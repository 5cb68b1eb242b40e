"""Expected incidents per place and per cell in the next weeks."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import SettingError, TableError
from rehit.hotspots.exposure import known_places, window_days
from rehit.hotspots.forecast_features import History, make_history
from rehit.hotspots.forecast_fit import SHORT_LOG, PlaceForecast, forecast_counts
from rehit.hotspots.forecast_models import predictive_interval
from rehit.hotspots.grid import (
    cell_side,
    coordinates,
    days_since,
    lay_grid,
    metres_per_unit,
    well_placed,
)
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected

HORIZONS_DAYS = (7, 28, 91)


def forecast_places(placed_incidents: gpd.GeoDataFrame, *, places: gpd.GeoDataFrame,
                    observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                    horizons_days: Sequence[int] = HORIZONS_DAYS,
                    parameters: Parameters | None = None) -> pd.DataFrame:
    """Forecast the incidents of each place in the days after the observation window.

    Assumptions: the coming weeks resemble past periods of the same length with the same recent
    history; nothing new is done to the places. Days awaiting clearance are not taken out: what is
    forecast is the number of incidents that will be reported.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in; projected CRS.
    places
        One row per place: ``place_id``, ``place_kind`` and point geometry (the table ``repeats``).
        Register assets without an incident get a forecast too.
    observed_from, observed_to
        Observation window, UTC; the forecast starts at its end.
    horizons_days
        Lengths of the periods forecast [days].
    parameters
        Parameters of the room.

    Returns
    -------
    pandas.DataFrame
        Table ``forecast``, one row per place and horizon, plus ``method`` (the model that won on
        held-out periods of this log, compared on the middle horizon). The interval is that of the
        predictive negative binomial.

    Raises
    ------
    TableError
        If a needed column or the projected CRS is missing.
    SettingError
        If the window is empty or a horizon is not a positive whole number.
    """
    numbers = load_parameters() if parameters is None else parameters
    history = place_history(placed_incidents, places=places, observed_from=observed_from,
                            observed_to=observed_to)
    return _forecast_table(history, places["place_id"], observed_from, observed_to, horizons_days,
                           numbers)


def place_history(placed_incidents: gpd.GeoDataFrame, *, places: gpd.GeoDataFrame,
                  observed_from: pd.Timestamp, observed_to: pd.Timestamp) -> History:
    """Return the incidents of the places in the form that forecasts are fitted on.

    Parameters
    ----------
    placed_incidents, places, observed_from, observed_to
        As in :func:`forecast_places`.

    Raises
    ------
    TableError
        If a needed column or the projected CRS is missing.
    """
    window_days(observed_from, observed_to)
    missing = [c for c in ("place_id", "place_kind") if c not in places.columns]
    if missing:
        raise TableError("forecast_places: places", got=f"no column {', '.join(missing)}",
                         allowed="the table repeats", remedy="pass the result of rank_repeats")
    require_projected(places, where="forecast_places: places")
    rows = known_places(placed_incidents)
    code = pd.Index(places["place_id"]).get_indexer(rows["place_id"])
    day = days_since(rows["reported_at"], observed_from)
    return make_history(*_inside(code, day, observed_from, observed_to), _points_m(places),
                        always_known=(places["place_kind"] == "asset").to_numpy())


def forecast_cells(placed_incidents: gpd.GeoDataFrame, *, cell_m: float | None = None,
                   observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                   horizons_days: Sequence[int] = HORIZONS_DAYS,
                   parameters: Parameters | None = None) -> gpd.GeoDataFrame:
    """Forecast the incidents of each grid cell that has had one.

    Parameters
    ----------
    placed_incidents, observed_from, observed_to, horizons_days, parameters
        As in :func:`forecast_places`; incidents known to the street only are left out.
    cell_m
        Cell side [m]; default ``hotspots.cell_m``.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``forecast`` with ``place_id`` naming the cell as in ``cells``, ``method`` and the
        cell's square.
    """
    numbers = load_parameters() if parameters is None else parameters
    window_days(observed_from, observed_to)
    rows = well_placed(placed_incidents, where="forecast_cells")
    inside = (rows["reported_at"] >= observed_from) & (rows["reported_at"] <= observed_to)
    rows = rows.loc[inside]
    if not len(rows):
        return gpd.GeoDataFrame(_no_forecast(), geometry=gpd.GeoSeries([], crs=rows.crs))
    x, y = coordinates(rows)
    grid = lay_grid(x, y, side=cell_side(cell_m, rows, numbers),
                    max_cells=numbers["hotspots.max_cells"])
    used, code = np.unique(grid.index(x, y), return_inverse=True)
    history = make_history(code, days_since(rows["reported_at"], observed_from),
                           grid.centres(used) * metres_per_unit(rows), always_known=False)
    ids = pd.Series(grid.names(used), dtype="str")
    table = _forecast_table(history, ids, observed_from, observed_to, horizons_days, numbers)
    return gpd.GeoDataFrame(
        table, geometry=np.tile(grid.squares(used), len(horizons_days)), crs=rows.crs)


def _forecast_table(history: History, ids: pd.Series, start: pd.Timestamp, end: pd.Timestamp,
                    horizons_days: Sequence[int], numbers: Parameters) -> pd.DataFrame:
    bad = [h for h in horizons_days if not (float(h).is_integer() and h > 0)]
    if bad or not len(horizons_days):
        raise SettingError("horizons_days", got=repr(list(horizons_days)),
                           allowed="whole numbers of days above 0", remedy="for example 7, 28, 91")
    if not history.n:
        return _no_forecast()
    origin = (end - start).total_seconds() / 86_400
    # The model is chosen on the middle horizon and kept for the others: one choice, less computing.
    middle = sorted(horizons_days)[len(horizons_days) // 2]
    made = {middle: forecast_counts(history, origin=origin, horizon=float(middle),
                                    numbers=numbers)}
    chosen = None if made[middle].method == SHORT_LOG else made[middle].method
    for horizon in set(horizons_days) - {middle}:
        made[horizon] = forecast_counts(history, origin=origin, horizon=float(horizon),
                                        numbers=numbers, only=chosen)
    parts = [_rows(made[h], ids, int(h), numbers["hotspots.interval_level"])
             for h in horizons_days]
    table = pd.concat(parts, ignore_index=True)
    check(table, "forecast", where="forecast")
    return table


def _rows(made: PlaceForecast, ids: pd.Series, horizon: int, level: float) -> pd.DataFrame:
    low, high, any_ = predictive_interval(made.expected, made.size, level=level)
    return pd.DataFrame({
        "place_id": ids.astype("str").to_numpy(), "horizon_days": horizon,
        "expected": made.expected, "low": low, "high": high, "chance_any": any_,
        "method": made.method})


def _inside(code: np.ndarray, day: np.ndarray, start: pd.Timestamp,
            end: pd.Timestamp) -> tuple[np.ndarray, np.ndarray]:
    """Keep incidents of listed places inside the window."""
    length = (end - start).total_seconds() / 86_400
    kept = (code >= 0) & (day >= 0) & (day <= length)
    return code[kept], day[kept]


def _points_m(places: gpd.GeoDataFrame) -> np.ndarray:
    """Coordinates of the places in metres, NaN where a place has no geometry."""
    xy = np.full((len(places), 2), np.nan)
    there = (places.geometry.notna() & ~places.geometry.is_empty).to_numpy()
    if there.any():
        xy[there] = np.column_stack(coordinates(places.loc[there])) * metres_per_unit(places)
    return xy


def _no_forecast() -> pd.DataFrame:
    return empty("forecast").assign(method=pd.Series([], dtype="str"))
