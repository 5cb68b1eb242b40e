"""Every statement of the hotspots room on past dates of real logs: what was claimed, what followed.

Run by hand: python tests/studies/replay.py [city ...]

At each past date only the log up to it is read. "Places" are the chain's own; "blocks" are squares
of 100 m, which have more incidents each. Chance of a claim is the mean chance stated; met is the
share that came true by counting incidents afterwards. A place said to have changed is held to the
pace of its own average up to then, times what became of the pace of all places together.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
from city_logs import chains
from scipy.stats import nbinom

from rehit.chain import Chain
from rehit.hotspots.grid import well_placed
from rehit.hotspots.rates import chance_of_more, rank_repeats
from rehit.hotspots.recurrence import risk_clock
from rehit.hotspots.scan import scan_statistic
from rehit.hotspots.significance import hot_cells
from rehit.hotspots.spacetime import BATCH_DAYS, knox_rings
from rehit.observed import MANY_SURFACES, Window, known_places, timeline
from rehit.outputs.hotspots import worst_trends
from rehit.parameters import load_parameters

AHEAD_DAYS, DATES, WARM_SHARE = 182.0, 4, 0.4
SURE, BUSY, TOP = 0.8, 4, 20
NUMBERS = load_parameters()
WAYS = {"trend.faster": 1, "trend.slower": -1}


def blocks(incidents: gpd.GeoDataFrame, side_m: float = 100.0) -> gpd.GeoDataFrame:
    """Return the incidents with squares of the map as their places."""
    rows = well_placed(incidents, where="replay")
    name = [f"{x:.0f} {y:.0f}" for x, y in zip(rows.geometry.x // side_m,
                                               rows.geometry.y // side_m, strict=True)]
    return rows.assign(place_id=name, place_kind="site", place_quality="surveyed")


def came_after(log: gpd.GeoDataFrame, start: pd.Timestamp, date: pd.Timestamp, end: pd.Timestamp,
               places: pd.Series) -> np.ndarray:
    """Return incidents on a clean surface of each place after a date."""
    known = known_places(log[log["reported_at"] <= end])
    laid = timeline(known, window=Window(start, end), parameters=NUMBERS)
    rows = known.loc[laid.index[laid["at_risk"].to_numpy()]]
    counts = rows.loc[rows["reported_at"] > date, "place_id"].value_counts()
    return counts.reindex(places).fillna(0).to_numpy()


def dates_of(window: Window, apart_days: float, most: int) -> list[pd.Timestamp]:
    """Return past dates, the last one `apart_days` before the end, none in the log's first part."""
    found = [window.end - pd.Timedelta(days=apart_days * k) for k in range(1, most + 1)]
    return [d for d in found if d - window.start >= WARM_SHARE * (window.end - window.start)]


def ahead_days(window: Window) -> float:
    """Return the time spoken of: half a year, or a quarter of a short log."""
    return min(AHEAD_DAYS, window.days / 4)


def rates(log: gpd.GeoDataFrame, window: Window) -> Iterator[dict[str, object]]:
    """Go through what is said of the rates of places."""
    days = ahead_days(window)
    years = days / 365.25
    for date in dates_of(window, days, DATES):
        table = rank_repeats(log[log["reported_at"] <= date], window=Window(window.start, date),
                             parameters=NUMBERS, rng=np.random.default_rng(1))
        came = came_after(log, window.start, date, date + pd.Timedelta(days=days),
                          table["place_id"])
        shape, rate = table["gamma_shape"].to_numpy(), table["gamma_rate_years"].to_numpy()
        mean = table["rate_per_year"].to_numpy()
        # The gamma of the average, from its mean and the width of its interval.
        spread = (table["rate_high"] - table["rate_low"]).to_numpy() / 3.29
        known = (mean / spread) ** 2, mean / spread**2
        for way, (a, b), order in (("average over the log", known, np.argsort(-mean)),
                                   ("year to come", (shape, rate), np.arange(len(mean)))):
            low, high = (nbinom.ppf(q, a, b / (b + years)) for q in (0.05, 0.95))
            busy, once = (table["n_incidents"] >= BUSY), (table["n_incidents"] == 1)
            row = {"way": way, "date": f"{date:%Y-%m-%d}", "n_busy": int(busy.sum()),
                   "held": ((came >= low) & (came <= high))[busy].mean(),
                   "once": came[once].sum() / (a / b * years)[once].sum(),
                   "busy": came[busy].sum() / (a / b * years)[busy].sum(),
                   "top_said": (a / b * years)[order[:TOP]].sum(),
                   "top_came": came[order[:TOP]].sum()}
            for more in (1.0, 2.0, 4.0):
                chance = chance_of_more(a, b, threshold_per_year=more, years=years)
                sure = chance >= SURE
                row |= {f"n_{more:g}": int(sure.sum()), f"claim_{more:g}": chance[sure].sum(),
                        f"met_{more:g}": float((came > more * years + 1e-9)[sure].sum())}
            yield row


def changes(chain: Chain) -> Iterator[dict[str, object]]:
    """Go through the places said to have changed: did they stay on that side of their average?"""
    log, window = chain.incidents, chain.cleaned.window
    days = ahead_days(window)
    for date in dates_of(window, days, DATES):
        then = chain.given(incidents=log[log["reported_at"] <= date], cleaned=replace(
            chain.cleaned, window=Window(window.start, date)))
        table = then.repeats.set_index("place_id")
        came = pd.Series(came_after(log, window.start, date, date + pd.Timedelta(days=days),
                                    table.index.to_series()), table.index)
        usual = table["rate_per_year"] * days / 365.25
        usual *= came.sum() / usual.sum()
        yearly = np.sign(np.log(table["trend_ratio_per_year"].astype("float64").dropna()))
        for said, ways in (("yearly change", yearly), ("among the worst", told_of_worst(then))):
            for way in (1, -1):
                told = ways.index[ways == way]
                yield {"said": said, "way": "more" if way > 0 else "less",
                       "date": f"{date:%Y-%m-%d}", "told": len(told),
                       "met": int(((came - usual)[told] * way > 0).sum()),
                       "came": came[told].sum(), "usual": usual[told].sum()}


def told_of_worst(chain: Chain) -> pd.Series:
    """Return the way in which each of the worst places is said to have changed, 0 for none."""
    clock = risk_clock(chain.incidents, window=chain.cleaned.window, parameters=NUMBERS)
    told = [said for said in worst_trends(chain, clock)
            if said.code not in ("trend.bursts", "trend.streets_only")]
    walls = chain.repeats.loc[~chain.repeats["place_kind"].isin(MANY_SURFACES), "place_id"]
    return pd.Series([WAYS.get(said.code, 0) for said in told], walls.head(len(told)))


def emerging(log: gpd.GeoDataFrame, window: Window) -> Iterator[dict[str, object]]:
    """Go through what is called emerging at past dates, and what came in the four weeks after."""
    after = pd.Timedelta(days=28)
    for date in dates_of(window, 28.0, 20)[::2]:
        past = log[log["reported_at"] <= date]
        zones = scan_statistic(past, window=Window(window.start, date), parameters=NUMBERS,
                               rng=np.random.default_rng(1))
        sure = zones[zones["p_value"] <= NUMBERS["hotspots.emerging_chance"]]
        next_weeks = well_placed(log[(log["reported_at"] > date)
                                     & (log["reported_at"] <= date + after)], where="replay")
        usual = came = 0.0
        for zone in sure.itertuples():
            share = past.geometry.within(zone.geometry).sum() / len(past)
            usual += share * len(next_weeks)
            came += next_weeks.geometry.within(zone.geometry).sum()
        by_days = int((zones["p_permuted"] <= NUMBERS["hotspots.emerging_chance"]).sum())
        yield {"date": f"{date:%Y-%m-%d}", "permuted_only": by_days, "fired": len(sure),
               "past_dates": zones["past_dates"].max(), "came": came,
               "usual": usual}


def cells(log: gpd.GeoDataFrame, window: Window) -> Iterator[dict[str, object]]:
    """Go through the cells called hotter than chance: are they above the mean afterwards?"""
    days = ahead_days(window)
    for date in dates_of(window, days, DATES):
        rows = well_placed(log, where="replay")
        table = hot_cells(rows[rows["reported_at"] <= date], parameters=NUMBERS)
        later = rows[(rows["reported_at"] > date)
                     & (rows["reported_at"] <= date + pd.Timedelta(days=days))]
        hot = table[table["hot"]]
        near = gpd.sjoin(later[["geometry"]], hot[["geometry"]].assign(
            geometry=hot.geometry.buffer(100)), predicate="within")
        counts = near["index_right"].value_counts().reindex(hot.index).fillna(0)
        area = hot.geometry.buffer(100).area / 10_000
        mean = len(later) / len(table)
        yield {"date": f"{date:%Y-%m-%d}", "n_hot": len(hot),
               "still_above": float((counts / area > mean).mean()) if len(hot) else np.nan}


def rings(log: gpd.GeoDataFrame, window: Window) -> Iterator[dict[str, object]]:
    """Go through the raised bands of each half of the log: are they raised in the other?"""
    middle = window.start + (window.end - window.start) / 2
    halves = [knox_rings(part, parameters=NUMBERS, rng=np.random.default_rng(1))
              for part in (log[log["reported_at"] <= middle], log[log["reported_at"] > middle])]
    first, second = (h[(h["from_m"] > 0) & (h["to_days"] > BATCH_DAYS)] for h in halves)
    raised = first["raised"].to_numpy()
    beyond = (second["ratio"] / second["common"]).to_numpy()
    one_day = [h[(h["from_m"] > 0) & (h["to_days"] <= BATCH_DAYS)] for h in halves]
    yield {"raised": int(raised.sum()), "above_in_other_half": int((beyond[raised] > 1).sum()),
           "raised_in_other_half": int(second["raised"].to_numpy()[raised].sum()),
           "one_day_ratio": float((one_day[0]["ratio"] / one_day[0]["common"]).max()),
           "one_day_common": float(one_day[0]["common"].max())}


def main() -> None:
    """Print a table per city and statement."""
    pd.set_option("display.width", 220, "display.max_columns", 40)
    for city, chain in chains(sys.argv[1:]):
        log, window = chain.incidents, chain.cleaned.window
        for name, table in (("places", log), ("blocks", blocks(log))):
            if len(table):
                print(f"\n{city}: rates of {name}")
                show(rates(table, window))
                print(f"\n{city}: changes of {name}")
                show(changes(chain.given(incidents=table)))
        for name, study in (("emerging", emerging), ("hot cells", cells), ("near repeats", rings)):
            if len(well_placed(log, where="replay")):
                print(f"\n{city}: {name}")
                show(study(log, window))


def show(rows: Iterator[dict[str, object]]) -> None:
    """Print the rows of a study."""
    print(pd.DataFrame(rows).round(3).to_string(index=False), flush=True)


if __name__ == "__main__":
    main()
