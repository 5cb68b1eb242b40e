"""What one cleaning and one covering cost at each place, line by line, from the unit rates.

Money is in the project's currency at the prices of the project's price year. A per-place column
``incidents_per_visit``, ``minutes_per_incident`` or ``wash_water_l_per_incident`` in the costing
table, where given and filled, takes the place of the town-wide rate.

``method`` is what is done today and a column ``advised``, where given, what the surface asks for;
without it they are one. Where a column ``coatable`` says no (glass, sign faces, tiles), nothing is
coated whatever the owner allows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.strategies import Strategy, method_codes
from rehit.errors import ManyErrors, RehitError, SettingError, TableError
from rehit.messages import message
from rehit.parameters import Parameters
from rehit.tables import check

Numbers = NDArray[np.float64]
MOST_SPOTS = 8  # from 16 on cleanings are so spread that age ends a coating first
# Every cost is one of these lines, so that an accountant can add them up.
LINES = ("call_out", "labour", "materials", "access", "traffic_control", "water", "wear",
         "measure")
ESCALATION = {"call_out": "labour", "labour": "labour", "materials": "materials",
              "access": "plant", "traffic_control": "plant", "water": "water",
              "wear": "labour", "measure": "materials"}
CALL_OUT, LABOUR, MATERIALS, ACCESS, TRAFFIC, WATER, WEAR, MEASURE = range(len(LINES))
BY_METHOD = ("minutes_per_visit", "minutes_per_m2", "minutes_area_power", "materials_per_m2",
             "water_l_per_m2", "wear_per_m2", "crew_size")
PLAIN = ("discount_rate", "payment_point", "residual_share", "call_out", "incidents_per_visit",
         "labour_per_hour", "access_ladder", "access_platform", "traffic_control",
         "traffic_control_per_hour", "water_per_l", "cover_minutes_per_visit",
         "cover_again_minutes_per_visit", "repaint_materials_per_m2", "repaint_minutes_per_m2",
         "repaint_minutes_per_visit", "repaint_wall_share", "planned_repaint_years", "spot_share",
         *sorted({f"escalation_{kind}" for kind in ESCALATION.values()}))


def require_rates(parameters: Parameters, *, where: str = "defaults/costs.csv") -> None:
    """Refuse a parameter table that lacks unit rates, naming every missing one.

    Raises
    ------
    ManyErrors
        With the file and key of each missing rate.
    """
    needed = [*PLAIN, *(f"{rate}_{method}" for rate in BY_METHOD for method in method_codes())]
    known = set(parameters)
    faults: list[RehitError] = [
        SettingError(f"{where} [{name}]",
                     "errors.no_rate") for name in needed if f"costs.{name}" not in known]
    if faults:
        raise ManyErrors(where, faults)


def checked_costing(costing: pd.DataFrame, *, where: str) -> pd.DataFrame:
    """Hold the costing table against its contract and against sense; all faults at once.

    Raises
    ------
    ManyErrors
        For a broken contract, or listing every column with figures that cannot be.
    """
    check(costing, "costing", where=where)
    faults: list[RehitError] = []
    for column in ("gamma_shape", "gamma_rate_years", "mark_area_m2", "wall_area_m2"):
        values = costing[column].to_numpy(dtype=float)
        bad = ~np.isfinite(values) | (values <= 0)
        if bad.any():
            place = costing["place_id"].iloc[int(np.argmax(bad))]
            faults.append(TableError(
                message("where.column", where=where, table="costing", column=column),
                "errors.unusable_figures", n=int(bad.sum()), value=values[bad][0], place=place))
    if faults:
        raise ManyErrors(where, faults)
    return costing.reset_index(drop=True)


def cleaning_lines(costing: pd.DataFrame, strategy: Strategy, *,
                   parameters: Parameters) -> Numbers:
    """Return the cost of one cleaning under `strategy`, shape (places, lines).

    Call-out is shared by the incidents dealt with on one visit; access equipment and traffic
    control are not, because each place needs its own.
    """
    area = treated_area_m2(costing, strategy, parameters=parameters)
    methods = cleaning_methods(costing, strategy)
    share = strategy.cleaning_share
    rate = {name: _by_method(name, methods, parameters) for name in BY_METHOD}
    minutes = (rate["minutes_per_visit"]
               + rate["minutes_per_m2"] * area ** rate["minutes_area_power"])
    if "minutes_per_incident" in costing.columns and strategy.cleaning == "removal":
        own = methods == costing["method"].to_numpy(str)
        given = costing["minutes_per_incident"].to_numpy(float, na_value=np.nan)
        minutes = np.where(own & np.isfinite(given), given, minutes)
    lines = np.zeros((len(costing), len(LINES)))
    lines[:, CALL_OUT] = parameters["costs.call_out"] / _incidents_per_visit(costing, parameters)
    hours = share * minutes / 60
    lines[:, LABOUR] = hours * rate["crew_size"] * parameters["costs.labour_per_hour"]
    lines[:, MATERIALS] = share * rate["materials_per_m2"] * area
    recoat = recoat_lines(costing, strategy, parameters=parameters)
    hours = hours + recoat[:, LABOUR] / parameters["costs.labour_per_hour"]
    lines[:, ACCESS], lines[:, TRAFFIC] = site_costs(costing, parameters, hours=hours)
    litres = wash_water_l(costing, strategy, parameters=parameters)
    lines[:, WATER] = litres * parameters["costs.water_per_l"]
    # A lasting or sacrificial cover takes the wear instead of the surface.
    lines[:, WEAR] = 0.0 if strategy.covers_wall else rate["wear_per_m2"] * area
    return lines + recoat


def recoat_lines(costing: pd.DataFrame, strategy: Strategy, *, parameters: Parameters) -> Numbers:
    """Return what of one cleaning is laying the cover again where it came off."""
    lines = np.zeros((len(costing), len(LINES)))
    if strategy.recoat_margin > 0:
        area = treated_area_m2(costing, strategy, parameters=parameters)
        recoated = area * strategy.recoat_margin / strategy.recoat_every
        lines[:, MATERIALS] = strategy.cover_materials_per_m2 * recoated
        lines[:, LABOUR] = (strategy.cover_minutes_per_m2 * recoated / 60
                            * parameters["costs.labour_per_hour"])
    return lines


def wash_water_l(costing: pd.DataFrame, strategy: Strategy, *, parameters: Parameters) -> Numbers:
    """Return the wash water to capture at one cleaning [L]; coatings are not credited any."""
    methods = cleaning_methods(costing, strategy)
    litres = (_by_method("water_l_per_m2", methods, parameters)
              * treated_area_m2(costing, strategy, parameters=parameters))
    if "wash_water_l_per_incident" in costing.columns and strategy.cleaning == "removal":
        given = costing["wash_water_l_per_incident"].to_numpy(float, na_value=np.nan)
        own = methods == costing["method"].to_numpy(str)
        litres = np.where(own & np.isfinite(given), given, litres)
    return litres


def treated_area_m2(costing: pd.DataFrame, strategy: Strategy, *,
                    parameters: Parameters) -> Numbers:
    """Return the area treated at one cleaning: the marking, or the whole of a small painted thing.

    Where one patch is already the share of the wall at which a full repaint is due, the whole is
    painted each time.
    """
    marking = costing["mark_area_m2"].to_numpy(float)
    whole = painted_out(costing, strategy) & _painted_whole(costing, parameters)
    return np.where(whole, wall_area_m2(costing), marking)


def cleaning_methods(costing: pd.DataFrame, strategy: Strategy) -> NDArray[np.str_]:
    """Return the method each place is cleaned by: today's, unless the strategy names another.

    A cover is cleaned, not painted over: what is painted out today is wiped once it is coated.
    """
    own = costing["method"].to_numpy(str)
    if strategy.cleaning == "removal":
        return np.where((own == "paint_out") & strategy.covers_wall, "solvent_wipe", own)
    return np.full(len(costing), strategy.cleaning)


def advised_methods(costing: pd.DataFrame) -> NDArray[np.str_]:
    """Return the method that each place's surface asks for."""
    return costing["advised" if "advised" in costing else "method"].to_numpy(str)


def coating_left_years(costing: pd.DataFrame, strategies: Sequence[Strategy], *,
                       start_year: int = 0, parameters: Parameters) -> Numbers:
    """Return how long the coating that is there still lasts; 0 where there is none or it is worn.

    A coating of the register is taken for the lasting one: it ends after its years, or when the
    cleanings left to it are used up at the place's mean rate.
    """
    lasting = [s for s in strategies if s.covers_wall and np.isfinite(s.life_cleanings)]
    if "coated_years" not in costing or not lasting:
        return np.zeros(len(costing))
    age = costing["coated_years"].to_numpy(float, na_value=np.nan)
    rate = costing["gamma_shape"].to_numpy(float) / costing["gamma_rate_years"].to_numpy(float)
    spare = (lasting[0].life_cleanings * spots(costing, parameters=parameters)
             - costing["coated_cleanings"].to_numpy(float))
    left = np.minimum(lasting[0].life_years - age, spare / rate) - start_year
    return np.where(np.isnan(age), 0.0, left.clip(0))


def painted_out(costing: pd.DataFrame, strategy: Strategy) -> NDArray[np.bool_]:
    """Return where markings are painted out, so that patches add up to a full repaint."""
    return np.asarray(cleaning_methods(costing, strategy) == "paint_out")


def cover_lines(costing: pd.DataFrame, strategy: Strategy, *, parameters: Parameters) -> Numbers:
    """Return the first cost of `strategy`, and of each renewal, shape (places, lines)."""
    if strategy.covers_wall:
        return _wall_job(costing, parameters, materials_per_m2=strategy.cover_materials_per_m2,
                         minutes=cover_hours(costing, strategy, parameters=parameters) * 60,
                         visits=strategy.cover_visits)
    lines = np.zeros((len(costing), len(LINES)))
    lines[:, MEASURE] = strategy.first_cost
    return lines


def cover_hours(costing: pd.DataFrame, strategy: Strategy, *, parameters: Parameters) -> Numbers:
    """Return the crew hours that covering each place takes."""
    if not strategy.covers_wall:
        return np.zeros(len(costing))
    again = parameters["costs.cover_again_minutes_per_visit"] * (strategy.cover_visits - 1)
    return np.asarray(parameters["costs.cover_minutes_per_visit"] + again
                      + strategy.cover_minutes_per_m2 * wall_area_m2(costing)) / 60


def repaint_lines(costing: pd.DataFrame, *, parameters: Parameters) -> Numbers:
    """Return the cost of a full repaint of the wall, shape (places, lines)."""
    minutes = (parameters["costs.repaint_minutes_per_visit"]
               + parameters["costs.repaint_minutes_per_m2"] * wall_area_m2(costing))
    return _wall_job(costing, parameters, minutes=minutes,
                     materials_per_m2=parameters["costs.repaint_materials_per_m2"])


def wall_area_m2(costing: pd.DataFrame) -> Numbers:
    """Return the area of each wall, never less than the usual marking on it."""
    found: Numbers = (
        np.maximum(costing["wall_area_m2"].to_numpy(float),
                      costing["mark_area_m2"].to_numpy(float)))
    return found


def patches_until_repaint(costing: pd.DataFrame, *, parameters: Parameters) -> Numbers:
    """Return after how many patches the patched share of the wall calls for a full repaint.

    Not rounded up to whole patches. Patches fall anywhere on the wall, so later ones partly cover
    earlier ones: after n patches, each a share q of the wall, the patched share is 1 - (1 - q)^n
    on average. Infinite where the whole is painted each time anyway.
    """
    share = costing["mark_area_m2"].to_numpy(float) / wall_area_m2(costing)
    due = parameters["costs.repaint_wall_share"]
    with np.errstate(divide="ignore"):
        patches = np.log1p(-due) / np.log1p(-share)
    return np.where(_painted_whole(costing, parameters), np.inf, patches)


def _painted_whole(costing: pd.DataFrame, parameters: Parameters) -> NDArray[np.bool_]:
    share = costing["mark_area_m2"].to_numpy(float) / wall_area_m2(costing)
    return np.asarray(share >= parameters["costs.repaint_wall_share"])


def spots(costing: pd.DataFrame, *, parameters: Parameters) -> Numbers:
    """Return over how many spots of each wall its cleanings are spread; infinite = very many.

    A coating's life in cleanings is a matter of one spot: the whole is renewed after that many
    cleanings for each spot. Spots are counted down to 1, 2, 4 or 8, so that no life is
    overstated and few different lives have to be worked out.
    """
    number = (parameters["costs.spot_share"] * wall_area_m2(costing)
              / costing["mark_area_m2"].to_numpy(float))
    doublings = np.floor(np.log2(np.maximum(number, 1.0)) + 1e-9)
    return np.where(2**doublings > MOST_SPOTS, np.inf, 2**doublings)


def _wall_job(costing: pd.DataFrame, parameters: Parameters, *, materials_per_m2: float,
              minutes: Numbers, visits: float = 1.0) -> Numbers:
    lines = np.zeros((len(costing), len(LINES)))
    lines[:, CALL_OUT] = parameters["costs.call_out"] * visits
    lines[:, LABOUR] = minutes / 60 * parameters["costs.labour_per_hour"]
    lines[:, MATERIALS] = materials_per_m2 * wall_area_m2(costing)
    access, traffic = site_costs(costing, parameters, hours=minutes / 60 / visits)
    lines[:, ACCESS], lines[:, TRAFFIC] = access * visits, traffic * visits
    return lines


def site_costs(costing: pd.DataFrame, parameters: Parameters, *,
               hours: Numbers) -> tuple[Numbers, Numbers]:
    """Return what access equipment and traffic control cost for one job at each place."""
    equipment = costing["access"].to_numpy(str)
    access = (parameters["costs.access_ladder"] * (equipment == "ladder")
              + parameters["costs.access_platform"] * (equipment == "platform"))
    needed = costing["traffic_control"].to_numpy(bool)
    return access, needed * traffic_control_cost(hours, parameters=parameters)


def traffic_control_cost(hours: Numbers, *, parameters: Parameters) -> Numbers:
    """Return what traffic control costs at one place while work goes on for so many hours.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> traffic_control_cost(np.array([0.5, 3.0]), parameters=load_parameters()).tolist()
    [350.0, 510.0]
    """
    return np.asarray(parameters["costs.traffic_control"]
                      + parameters["costs.traffic_control_per_hour"] * np.maximum(hours - 1, 0))


def _incidents_per_visit(costing: pd.DataFrame, parameters: Parameters) -> Numbers:
    town = np.full(len(costing), parameters["costs.incidents_per_visit"])
    if "incidents_per_visit" not in costing.columns:
        return town
    given = costing["incidents_per_visit"].to_numpy(float, na_value=np.nan)
    return np.where(given >= 1, given, town)


def _by_method(rate: str, methods: NDArray[np.str_], parameters: Parameters) -> Numbers:
    values = np.full(len(methods), np.nan)
    for method in method_codes():
        values[methods == method] = parameters[f"costs.{rate}_{method}"]
    return values
