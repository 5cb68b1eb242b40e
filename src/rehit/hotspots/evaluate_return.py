"""Places picked after a bad spell fall back to their usual anyway: how much of a change is that?"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.evaluate_panel import Panel
from rehit.hotspots.exposure import known_places, time_at_risk, timeline
from rehit.hotspots.repeats import ALL_OTHERS, fit_priors, kind_given
from rehit.hotspots.repeats_prior import posterior
from rehit.parameters import Parameters


def return_ratio(placed_incidents: gpd.GeoDataFrame, panel: Panel, *, observed_from: pd.Timestamp,
                 started_at: pd.Timestamp, parameters: Parameters) -> float | None:
    """Return the rate ratio to expect from the fall back to the usual alone.

    Each group's incidents before are compared with their empirical-Bayes expectation, given how
    often places of their kind were hit; the ratio is treated over comparison. It is 1 where both
    groups were picked alike, below 1 where the treated places stood out more before the measure,
    whether by luck (then they fall back) or by nature (then they do not): it bounds the doubt.

    Parameters
    ----------
    placed_incidents
        All incidents with the placed columns, of other places too: they say what is usual.
    panel
        Counts of the places compared.
    observed_from, started_at
        The time before the measure.
    parameters
        Uses ``hotspots.min_group_places`` and ``hotspots.min_group_incidents``.

    Returns
    -------
    float or None
        None where the log knows too few places to say what is usual.

    References
    ----------
    Hauer 1997, Observational Before-After Studies in Road Safety, chapter 11 (empirical Bayes).
    """
    known = known_places(placed_incidents)
    laid = timeline(known, observed_from=observed_from, observed_to=started_at,
                    parameters=parameters)
    length = (started_at - observed_from).total_seconds() / 86_400
    places = time_at_risk(laid, length_days=length, parameters=parameters)
    if len(places) < parameters["hotspots.min_group_places"] or (
            places["n_at_risk"].sum() < parameters["hotspots.min_group_incidents"]):
        return None
    known = known.loc[laid.index]
    places.index = pd.Index(known["place_id"].to_numpy()[laid["first"].to_numpy()])
    kind = kind_given(known, laid["place_code"].to_numpy(), len(places))
    places["prior_group"] = pd.Series(kind, index=places.index).fillna("any").astype("str")
    places["zero_truncated"] = True
    priors = fit_priors(places, watched_years=length / 365.25, parameters=parameters)
    usual = priors.get((ALL_OTHERS, True)) or next(iter(priors.values()))
    group_of = places["prior_group"].reindex(panel.places["place_id"])
    factors = {}
    for group in ("treated", "comparison"):
        rows = (panel.places["group"] == group).to_numpy()
        part = panel.places[rows]
        mean = np.empty(len(part))
        for k, name in enumerate(group_of[rows]):
            shape, rate = posterior(part["clean_before"].to_numpy()[[k]],
                                    part["years_before"].to_numpy()[[k]],
                                    priors.get((str(name), True), usual))
            mean[k] = (shape / rate)[0]
        seen = part["clean_before"].sum()
        factors[group] = (mean * part["years_before"]).sum() / seen if seen else np.nan
    ratio = factors["treated"] / factors["comparison"]
    return float(ratio) if np.isfinite(ratio) else None
