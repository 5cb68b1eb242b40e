"""Policies tried on the patch as its log shows it: tables, two pages, a summary."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from joblib import parallel_config
from numpy.typing import NDArray

from rehit.chain import Chain
from rehit.contract.volume import contract_jobs, found_share, mean_found_share, predict_volume
from rehit.costs.cashflow import cleaning_now
from rehit.costs.lifecycle import Comparison, compare_by_formula
from rehit.costs.rates import LABOUR, LINES, cleaning_methods, spots
from rehit.costs.strategies import Strategy
from rehit.errors import SettingError, TableError
from rehit.files.writing import write_csv
from rehit.hotspots.recurrence import rapid_clearance
from rehit.messages import Message, message
from rehit.observed import DAYS_PER_YEAR
from rehit.outputs.patrol import read_looks, standing_by
from rehit.outputs.price import with_changes, with_travel
from rehit.parameters import Parameters
from rehit.patrol.looks import visit_intervals
from rehit.policy.answers import (
    Prices,
    against_today,
    best_shares,
    by_year,
    flips,
    frontier,
    measured,
    net_cost,
    what_to_measure,
)
from rehit.policy.patch import (
    CHANCES,
    HOURS_PER_DAY,
    Clock,
    Patch,
    Practice,
    Worlds,
    blended_share,
    burst_variances,
    crews_for,
    draw_haste,
    draw_worlds,
    scaled,
    season_factors,
    wait_chances,
    working_days,
)
from rehit.policy.policies import TODAY, Policy, read_policies
from rehit.policy.simulate import Lived, live, most_draws
from rehit.region.run import reached
from rehit.report.figures import cost_and_days, draw_picture
from rehit.report.policies import Tried, committee_paper, policy_messages
from rehit.workdays import public_holidays

Numbers = NDArray[np.float64]
WEEKS_PER_YEAR = DAYS_PER_YEAR / 7
MINUTES_PER_HOUR = 60
#: Rounds of living a year through to make its markings as many as expected; draws of each, and
#: markings a round is meant for: a town of very many has fewer draws.
PILOT_ROUNDS, PILOT_DRAWS, PILOT_MARKINGS = 3, (4, 40), 4e5
#: Chances of the interval at which a measured effect of quick clearance is tried.
EFFECT_LEVEL = 0.9
#: Cost against visible days, as drawn for a desk and for a phone.
TRADE_PICTURES = ("policies_cost_days.svg", "policies_cost_days_narrow.svg")
WORTHS = (0.0, 1.0, 5.0, 20.0)
#: Processes of this machine, and markings up to which one alone is done before another begins.
PROCESSES, FEW_MARKINGS = 2, 2e6
#: Draws lived through side by side, and memory they may take; fewest draws.
MOST_DRAWS, BATCH_BYTES, FEWEST_DRAWS = 200, 2.5e8, 20
#: Longest interval between looks, in rounds that see each place once.
LONGEST_ROUNDS = 20
#: So many times the most markings are lived through where even the fewest draws need them.
STRETCH = 10


@dataclass(frozen=True)
class Lab:
    """A patch with what it takes to live it through.

    Attributes
    ----------
    patch
        The patch.
    worlds
        Drawn values of what is not known.
    prices
        What things cost there.
    unknowns
        Each unknown thing's value in every world, by its code.
    seed
        Of all chance.
    years
        Years ahead.
    """

    patch: Patch
    worlds: Worlds
    prices: Prices
    unknowns: dict[str, Numbers]
    seed: int
    years: int

    def live(self, policies: tuple[Policy, ...], *, effect: float = 1.0,
             draws: int | None = None) -> list[Lived]:
        """Live through the policies in the first `draws` worlds."""
        return live(self.patch, policies, self.worlds.part(slice(0, draws)), seed=self.seed,
                    years=self.years, effect=effect,
                    batch=min(MOST_DRAWS, most_draws(
                        self.patch, policies=len(policies), years=self.years,
                        memory_bytes=BATCH_BYTES)))

    def measured(self, lived: list[Lived]) -> list[dict[str, Numbers]]:
        """Return the measures of each policy."""
        draws = len(lived[0].standing)
        prices = replace(self.prices, factors=self.prices.factors[:, :draws],
                         cover_factors=self.prices.cover_factors[:, :draws])
        return [measured(each, self.patch, prices) for each in lived]


def set_up_lab(chain: Chain, *, n_policies: int, years: int | None = None,
               draws: int | None = None) -> Lab:
    """Learn the patch from the project's results, and draw the worlds.

    Parameters
    ----------
    chain
        The project's results.
    n_policies
        Policies to be tried: with very many markings fewer worlds are drawn.
    years, draws
        Default ``policy.years``, ``policy.draws``.
    """
    numbers = with_travel(chain)
    check_length(chain, numbers)
    years = int(numbers["policy.years"]) if years is None else years
    wanted = int(numbers["policy.draws"]) if draws is None else draws
    patch, prices = _learnt(chain, numbers, years=years)
    draws = draws_that_end(patch, wanted, n_policies=n_policies, years=years, numbers=numbers)
    doubt = chain.doubt.for_draws(draws)
    jobs = with_changes(contract_jobs(chain.incidents, chain.advice, parameters=numbers), chain)
    priced = jobs[jobs["exclusion"] == ""]
    volume = predict_volume(priced, chain.repeats,
                            window=chain.cleaned.window, years=years, draws=draws, doubt=doubt,
                            parameters=numbers, rng=chain.rng("policy volume"))
    patch = replace(patch, bursts={**patch.bursts, "town": _town_variance(
        patch, volume.dispersion, numbers["contract.fit_days"])})
    rng = chain.rng("policy worlds")
    chances = rng.random(draws)
    standing, _ = standing_by(chain, read_looks(chain), chain.cleaned.window.end.date())
    never = found_share(chances, parameters=numbers) * standing.never_ratio / max(
        mean_found_share(numbers), 1e-9)
    # Over all that the log counted: a place changed since, by a coating say, brings another rate.
    level = volume.means / (len(priced) / volume.observed_years)
    unknowns = {"level": level.mean(axis=1), "never_reported": never,
                "report_days": np.exp(rng.normal(0, numbers["policy.report_days_sd"], draws)),
                "haste": draw_haste(_places_with_waits(chain), draws, rng),
                **{cause.name: doubt.of(cause.name) for cause in doubt.known
                   if cause.name != "markings"}}
    seed = int(chain.rng("policy lives").integers(2**31))
    patch = _as_many_as_expected(patch, standing.never_ratio, seed)
    worlds = draw_worlds(
        patch, level=level, never_ratio=never, minutes=doubt.of("minutes"),
        report_factor=unknowns["report_days"], haste=unknowns["haste"], rng=rng)
    return Lab(patch, worlds,
               replace(prices, factors=doubt.lines("cleaning"),
                       cover_factors=doubt.lines("covering")), unknowns, seed, years)


def draws_that_end(patch: Patch, wanted: int, *, n_policies: int, years: int,
                   numbers: Parameters) -> int:
    """Return how many worlds can be lived through in a time that somebody waits for.

    Raises
    ------
    TableError
        If no marking is expected at all.
    SettingError
        If even the fewest would take too long.
    """
    a_year = patch.expected_per_year
    if a_year <= 0:
        raise TableError(message("where.the_log"), "errors.no_markings_to_live")
    each, most = max(years * n_policies * a_year, 1.0), numbers["policy.most_markings"]
    if each * FEWEST_DRAWS > STRETCH * most:
        raise SettingError("policy.most_markings", "errors.too_many_markings", a_year=a_year,
                           policies=n_policies, years=years, worlds=FEWEST_DRAWS,
                           most=STRETCH * most)
    most_places = int(numbers["policy.most_places"] / (patch.n + 1))
    return min(wanted, max(int(most / each), FEWEST_DRAWS), max(most_places, FEWEST_DRAWS))


def _places_with_waits(chain: Chain) -> int:
    """Return at how many places a marking was cleared by a known date."""
    cleared = chain.incidents[chain.incidents["cleared_at"].notna()]
    return int(cleared["place_id"].nunique())


def _as_many_as_expected(patch: Patch, never_ratio: float, seed: int) -> Patch:
    """Scale the places' rates until today's practice clears as many as are expected in a year."""
    if not patch.n:
        return patch
    if patch.known_per_year <= 0:  # nothing at a known place counts: all are expected elsewhere
        return scaled(patch, 1e-9)
    draws = int(np.clip(PILOT_MARKINGS / patch.expected_per_year, *PILOT_DRAWS))
    ones = np.ones(draws)
    for _ in range(PILOT_ROUNDS):
        worlds = draw_worlds(patch, level=np.ones((draws, 1)), report_factor=ones,
                             never_ratio=never_ratio * ones, minutes=ones, haste=ones,
                             rng=np.random.default_rng(seed))
        today, = live(patch, [Policy(name=TODAY)], worlds, seed=seed, years=1)
        cleared = today.cleanings[0, :, :-1].sum(axis=1).mean()
        patch = scaled(patch, patch.known_per_year / max(float(cleared), 1e-9))
    return patch


def _town_variance(patch: Patch, dispersion: float, period_days: float) -> float:
    """Return what of the town's bursts those of its places do not explain."""
    mean = patch.shape / patch.rate_years * period_days / DAYS_PER_YEAR
    # Where the log names no place, the town's markings are those of places not known.
    total = float(mean.sum()) or patch.elsewhere_per_year * period_days / DAYS_PER_YEAR
    if total <= 0:
        return 0.0
    by_cell = np.bincount(patch.cell, mean)
    explained = (patch.bursts["place"] * float((mean**2).sum())
                 + patch.bursts["cell"] * float((by_cell**2).sum())) / total
    return max(dispersion - 1 - explained, 0.0) / total


def _learnt(chain: Chain, numbers: Parameters, *, years: int) -> tuple[Patch, Prices]:
    """Return the patch and its prices; a place's rate is that while it is clean."""
    incidents, repeats, window = chain.incidents, chain.repeats, chain.cleaned.window
    zone = chain.project.time_zone
    compared = compare_by_formula(chain.costing, strategies=chain.strategies, parameters=numbers)
    prices, onsite, coating = _prices(chain, compared, numbers)
    placed = incidents[incidents["place_id"].notna()]
    places = pd.Index(repeats["place_id"])
    waits = (incidents["cleared_at"] - incidents["reported_at"]).dt.total_seconds() / 86_400
    waits = waits.where(waits >= 0)
    days = (placed["reported_at"] - window.start).dt.total_seconds().to_numpy() / 86_400
    cells = _cells(repeats, numbers["policy.cell_m"])
    number = places.get_indexer(pd.Index(placed["place_id"]))
    inside = (number >= 0) & (days >= 0)
    expected = chain.expected_counts["expected_per_year"]
    further = (incidents["n_reports"] - 1)[waits.notna()].sum() / max(float(waits.sum()), 1e-9)
    first = window.end.tz_convert(zone).date()
    patch = Patch(
        shape=repeats["gamma_shape"].to_numpy(float),
        rate_years=repeats["gamma_rate_years"].to_numpy(float), cell=cells,
        offensive=blended_share(placed["priority"].eq("offensive"), placed["place_id"], places,
                                weight=numbers["policy.share_weight"]),
        seen_before=np.append(np.isin(places, placed["place_id"]), False),
        onsite_h=onsite["today"], onsite_coated_h=onsite["coated"],
        onsite_elsewhere_h=onsite["elsewhere"], coating_saves=coating["saves"],
        prevented=coating["prevented"], known_per_year=float(expected["known"]),
        elsewhere_per_year=float(expected["new"] + expected["unplaced"]),
        season=season_factors(incidents["reported_at"], window=window, time_zone=zone,
                              swing_sd=numbers["contract.season_sd"]),
        bursts=burst_variances(number[inside], cells[number[inside]], days[inside],
                               length_days=window.days, town=0.0),
        waits=_waits(chain, waits, numbers),
        usual_doublings=float(np.log2(waits.dropna() + 1).mean()) if waits.notna().any() else 0.0,
        further_per_day=float(further), fades_after_days=numbers["patrol.max_interval_days"],
        effort_sd=numbers["patrol.minutes_spread"], speed_limit=numbers["policy.speed_limit"],
        first_day=first, practice=_practice(chain, numbers, onsite, expected, years=years),
        intervals=partial(_intervals, _rates(repeats), numbers),
        travel_power=numbers["policy.travel_power"], report_days=numbers["patrol.report_days"],
        lead_days=numbers["policy.lead_days"])
    return patch, prices


def _cells(repeats: pd.DataFrame, side_m: float) -> NDArray[np.int64]:
    """Return the number of each place's square; a place without a point has one of its own."""
    points = gpd.GeoSeries(repeats.geometry).representative_point()
    squares = [f"{at}" if point is None or point.is_empty else
               f"{int(point.x // side_m)} {int(point.y // side_m)}"
               for at, point in enumerate(points)]
    return pd.factorize(np.array(squares, dtype=object))[0].astype(np.int64)


def _waits(chain: Chain, waits: pd.Series, numbers: Parameters) -> dict[str, Numbers]:
    """Return times to clearance; a log without them is taken to use its standards evenly up."""
    fewest = int(numbers["policy.fewest_waits"])
    hours, days = numbers["service.offensive_hours"], numbers["service.ordinary_working_days"]
    if waits.notna().sum() < fewest:
        return {"ordinary": CHANCES * days, "all": CHANCES * days,
                "offensive": CHANCES * hours / HOURS_PER_DAY}
    offensive = chain.incidents["priority"].eq("offensive")
    in_days = wait_chances(waits, offensive, fewest=fewest)
    worked = wait_chances(_working_days(chain, numbers).where(waits.notna()), offensive,
                          fewest=fewest)
    return {**worked, "offensive": in_days["offensive"]}


def _working_days(chain: Chain, numbers: Parameters) -> pd.Series:
    """Return the working days from each report to its clearance."""
    incidents, window, zone = chain.incidents, chain.cleaned.window, chain.project.time_zone
    midnight = window.start.tz_convert(zone).normalize()
    years = int(np.ceil(window.years)) + 1
    holidays = public_holidays(chain.project.holidays, first_year=midnight.year,
                               last_year=midnight.year + years + 1)
    clock = Clock(working_days(midnight.date(), years=years, holidays=holidays,
                               days_per_week=numbers["patrol.work_days_per_week"]),
                  starts=numbers["contract.day_starts"],
                  length=numbers["contract.hours_per_day"])
    at, done = ((incidents[name].dt.tz_convert(zone) - midnight).dt.total_seconds()
                .fillna(0.0).clip(lower=0).to_numpy() / 86_400
                for name in ("reported_at", "cleared_at"))
    return pd.Series(np.maximum(clock.work(done) - clock.work(at), 0.0), index=incidents.index)


def _rates(repeats: pd.DataFrame) -> pd.DataFrame:
    """Return places as the rule for intervals wants them, all looks alike."""
    rate = (repeats["gamma_shape"] / repeats["gamma_rate_years"]).to_numpy()
    return pd.DataFrame({"place_id": repeats["place_id"].to_numpy(), "visit_h": 1.0,
                         "rate_per_year": rate})


def _intervals(places: pd.DataFrame, numbers: Parameters, looks_per_week: float) -> Numbers:
    """Return the intervals that so many looks a week allow; none is too long."""
    whole_round = 7 * len(places) / looks_per_week
    found = visit_intervals(places.assign(longest_days=LONGEST_ROUNDS * whole_round),
                            parameters=numbers, hours_per_week=looks_per_week)
    return found.table["interval_days"].to_numpy(float)


def _practice(chain: Chain, numbers: Parameters, onsite: dict[str, Any], expected: pd.Series, *,
              years: int) -> Practice:
    """Return how crews work today: the project's own, or as many as the log's jobs keep busy."""
    project, window = chain.project, chain.cleaned.window
    first = window.end.tz_convert(project.time_zone).date()
    holidays = public_holidays(project.holidays, first_year=first.year,
                               last_year=first.year + years + 2)
    week = numbers["patrol.work_days_per_week"]
    useful = numbers["contract.hours_per_day"] * numbers["contract.productive_share"]
    travel = numbers["contract.travel_minutes"] / MINUTES_PER_HOUR
    rate = chain.costing["gamma_shape"] / chain.costing["gamma_rate_years"]
    loose = float(expected["new"] + expected["unplaced"])
    a_week = float(rate.to_numpy() @ onsite["today"] + loose * onsite["elsewhere"]
                   + (rate.sum() + loose) * travel) / WEEKS_PER_YEAR
    crews = crews_for(a_week, hours_per_day=useful, days_per_week=week,
                      busy=numbers["policy.busy_share"])
    if project.path("vehicles") is not None and project.path("depots") is not None:
        own = float(len(chain.crews[0]))
        # Crews whose hours the log's own jobs do not fit into were not all there is.
        crews = own if own >= crews_for(a_week, hours_per_day=useful, days_per_week=week,
                                        busy=numbers["policy.busiest_share"]) else crews
    return Practice(
        crews=crews, hours_per_day=useful, starts=numbers["contract.day_starts"],
        length=numbers["contract.hours_per_day"],
        working=working_days(first, years=years + 2, days_per_week=week, holidays=holidays),
        ordinary_working_days=numbers["service.ordinary_working_days"],
        offensive_hours=numbers["service.offensive_hours"], travel_h=travel,
        look_h=(numbers["patrol.look_minutes"] + numbers["contract.travel_minutes"])
        / MINUTES_PER_HOUR)


# What things cost, place by place, from the rooms that know.

def _prices(chain: Chain, compared: Comparison,
            numbers: Parameters) -> tuple[Prices, dict[str, Any], dict[str, Any]]:
    """Return prices, hours on site and what coating saves; places not known before come last."""
    today = compared.pieces[compared.baseline]
    cleaning = cleaning_now(today)
    best, saves, prevented = _best_covers(compared)
    columns = [each for each, strategy in enumerate(compared.strategies) if strategy.covers_wall]
    rows = np.arange(len(compared.costing))

    def of_best(values: list[Numbers]) -> Numbers:
        if not values:
            return np.zeros_like(cleaning)
        return np.stack(values)[best, rows] if len(rows) else values[0]

    covers = [compared.pieces[each] for each in columns]
    coated = of_best([piece.per_cleaning for piece in covers])
    elsewhere, loose_hours, loose_litres = _elsewhere(chain, numbers)
    spot = spots(compared.costing, parameters=numbers)
    strategies = [compared.strategies[each] for each in columns]
    pay = numbers["costs.labour_per_hour"]
    people = _people(compared, compared.strategies[compared.baseline], numbers)
    prices = Prices(
        cleaning=np.vstack([cleaning, elsewhere]), cleaning_coated=np.vstack([coated, elsewhere]),
        labour=LABOUR, cover=of_best([piece.first for piece in covers]),
        life_years=of_best([np.full(len(rows), s.life_years) for s in strategies])
        if strategies else np.zeros(len(rows)),
        life_cleanings=of_best([s.life_cleanings * spot for s in strategies])
        if strategies else np.zeros(len(rows)),
        cover_hours=of_best([piece.hours for piece in covers])
        if covers else np.zeros(len(rows)),
        litres=np.append(today.water_l, loose_litres),
        litres_coated=np.append(of_best([piece.water_l for piece in covers])
                                if covers else today.water_l, loose_litres),
        factors=np.ones((len(LINES), 1)), cover_factors=np.ones((len(LINES), 1)),
        pay_per_hour=pay * float(people.mean()) if len(people) else pay)
    onsite = {"today": cleaning[:, LABOUR] / pay / people,
              "coated": coated[:, LABOUR] / pay / people, "elsewhere": loose_hours}
    return prices, onsite, {"saves": saves, "prevented": prevented}


def _people(compared: Comparison, strategy: Strategy, numbers: Parameters) -> Numbers:
    """Return the people of the crew that cleans each place."""
    methods = cleaning_methods(compared.costing, strategy)
    return np.array([numbers[f"costs.crew_size_{method}"] for method in methods], dtype=float)


def _best_covers(compared: Comparison) -> tuple[NDArray[np.int64], Numbers, float]:
    """Return the covering strategy that saves most at each place, and what it saves there."""
    covers = [at for at, each in enumerate(compared.strategies) if each.covers_wall]
    n = len(compared.costing)
    if not covers or not n:
        return np.zeros(n, dtype=np.int64), np.full(n, np.nan), 0.0
    present = np.stack([each.present_value for each in compared.expected])
    allowed = np.stack([compared.pieces[at].allowed for at in covers])
    saved = np.where(allowed, present[compared.baseline] - present[covers], -np.inf)
    best = saved.argmax(axis=0)
    most = saved.max(axis=0)
    prevented = float(np.mean([compared.strategies[at].effect_on_rate for at in covers]))
    return best, np.where(np.isfinite(most), most, np.nan), prevented


def _elsewhere(chain: Chain, numbers: Parameters) -> tuple[Numbers, float, float]:
    """Return cost lines, crew hours and litres of a marking at a place not known before."""
    table = chain.expected_work.set_index("place_class").loc[["new", "unplaced"]]
    lines = [name for name in LINES if name in table]
    expected = float(table["expected_per_year"].sum())
    each = np.zeros(len(LINES))
    if expected > 0:
        each[[LINES.index(name) for name in lines]] = table[lines].sum().to_numpy() / expected
    advice = chain.advice["method"].astype("str")
    people = float(np.mean([numbers[f"costs.crew_size_{method}"] for method in advice.unique()
                            if f"costs.crew_size_{method}" in numbers] or [1.0]))
    hours = each[LABOUR] / numbers["costs.labour_per_hour"] / people
    litres = each[LINES.index("water")] / max(numbers["costs.water_per_l"], 1e-9)
    return each, float(hours), float(litres)


# Trying policies, and what is written of it.

def try_policies(chain: Chain, policies: tuple[Policy, ...], *, years: int | None = None,
                 draws: int | None = None, worth_of_day: float | None = None,
                 scheduler: str | None = None) -> Tried:
    """Live the policies through on the project's patch, and hold them against today's practice.

    Parameters
    ----------
    chain
        The project's results.
    policies
        Today's practice first.
    years, draws, worth_of_day
        Default ``policy.years``, ``policy.draws``, ``policy.worth_of_day``.
    scheduler
        Address of a Dask scheduler whose workers share the work; None for this machine.
    """
    numbers = chain.parameters
    worth = numbers["policy.worth_of_day"] if worth_of_day is None else worth_of_day
    chain.step("step.learning_patch")
    lab = set_up_lab(chain, n_policies=len(policies), years=years, draws=draws)
    tried_effects, measured_effect = _effects(chain)
    few = min(int(numbers["policy.effect_draws"]), max(lab.worlds.draws // 2, FEWEST_DRAWS))
    nets = []
    with _workers(scheduler, lab, len(policies)):
        chain.step("step.trying_policies")
        found = lab.measured(lab.live(policies))
        chain.step("step.trying_clearance")
        for effect in tried_effects:
            own = found if effect == 1 else lab.measured(
                lab.live(policies, effect=effect, draws=few))
            nets.append([float(net_cost(each, worth)[:few].mean()) for each in own])
    worths = sorted({*WORTHS, worth})
    return Tried(
        years=lab.years, draws=lab.worlds.draws, by_year=by_year(found, policies),
        against=against_today(found, policies), frontier=frontier(found, policies),
        best=best_shares(found, policies, worths),
        unknowns=what_to_measure(found, lab.unknowns, worth_of_day=worth),
        flips=flips(tried_effects, nets, policies), measured=measured_effect,
        doubts=_assumed(chain, lab, policies, draws))


@contextmanager
def _workers(scheduler: str | None, lab: Lab, n_policies: int) -> Iterator[None]:
    """Let processes of this machine work if there is much to do, or a scheduler's workers."""
    if scheduler is None:
        markings = lab.patch.expected_per_year * lab.years * lab.worlds.draws * n_policies
        with parallel_config(n_jobs=PROCESSES if markings > FEW_MARKINGS else 1):
            yield
        return
    with reached(scheduler), parallel_config(backend="dask", n_jobs=-1):
        yield


def _effects(chain: Chain) -> tuple[list[float], bool]:
    """Return the effects of quick clearance to try, ascending, and whether the log measured them.

    An effect is the rate after a clearance over that after one of half the days.
    """
    model, _ = rapid_clearance(chain.spells, effects=("priority", "season"),
                               parameters=chain.parameters)
    if model is None or not model.settled:
        ends = [chain.parameters[f"policy.effect_{end}"] for end in ("low", "high")]
    else:
        row = model.table(level=EFFECT_LEVEL).iloc[0]
        ends = [float(row["low"]), float(row["high"])]
    limit = chain.parameters["policy.speed_limit"]
    ends = [min(max(end, 1 / limit), limit) for end in ends]
    return sorted({1.0, *ends}), model is not None and model.settled


def _assumed(chain: Chain, lab: Lab, policies: tuple[Policy, ...],
             draws: int | None) -> tuple[Message, ...]:
    """Return what had to be assumed of the patch."""
    patch, numbers = lab.patch, chain.parameters
    busy = patch.practice
    told = [message("policies.assumed_crews", crews=busy.crews,
                    hours=patch.paid_hours(policies[0]))]
    waits = chain.incidents["cleared_at"].notna().sum()
    if waits < numbers["policy.fewest_waits"]:
        told.append(message("policies.assumed_waits", days=busy.ordinary_working_days))
    told += [message("policies.assumed_kept"),
             message("policies.assumed_reports", days=patch.report_days,
                     never=float(np.mean(lab.worlds.never_ratio / (1 + lab.worlds.never_ratio))),
                     fades=patch.fades_after_days),
             message("policies.assumed_repaints")]
    wanted = int(numbers["policy.draws"]) if draws is None else draws
    if lab.worlds.draws < wanted:
        told.append(message("policies.assumed_worlds", wanted=wanted, worlds=lab.worlds.draws))
    return tuple(told)


def check_length(chain: Chain, numbers: Parameters) -> None:
    """Refuse a log too short to tell of years from.

    Raises
    ------
    TableError
        If it covers fewer than ``policy.least_days``.
    """
    days, least = chain.cleaned.window.days, numbers["policy.least_days"]
    if days < least:
        raise TableError(message("where.the_log"), "errors.too_short_to_live", days=days,
                         least=least)


def check_numbers(numbers: Parameters, **given: float | None) -> None:
    """Refuse a number for this run that the project could not set either.

    Raises
    ------
    SettingError
        Naming the option, and what it may be.
    """
    for name, value in given.items():
        row = numbers.row(f"policy.{name}")
        if value is not None and not row.low <= value <= row.high:
            raise SettingError("--" + name.replace("_", "-"), "errors.policy_number",
                               value=str(value), low=row.low, high=row.high)


def write_whatif(chain: Chain, stage: Path, *, policies: Path | None = None,
                 years: int | None = None, draws: int | None = None,
                 worth_of_day: float | None = None,
                 scheduler: str | None = None) -> dict[str, Any]:
    """Try the policies and write the tables and the two pages into `stage`.

    Parameters
    ----------
    policies
        TOML file; None for those that come with rehit.
    years, draws, worth_of_day, scheduler
        As for :func:`try_policies`.

    Raises
    ------
    SettingError
        If a number given cannot be.
    """
    check_numbers(chain.parameters, years=years, draws=draws, worth_of_day=worth_of_day)
    tried = try_policies(chain, read_policies(policies), years=years, draws=draws,
                         worth_of_day=worth_of_day, scheduler=scheduler)
    chain.step("step.writing")
    say = chain.say
    words = {"policy": "policy", "measure": "measure", "unknown": "unknown"}
    for name, table in (("policies", tried.by_year), ("policies_against_today", tried.against),
                        ("policies_cost_and_days", tried.frontier),
                        ("policies_best", tried.best), ("policies_to_measure", tried.unknowns),
                        ("policies_quick_clearance", tried.flips)):
        write_csv(say.columns(table, words), stage / f"{name}.csv")
    drawn = draw_picture("trade", lambda ax: cost_and_days(
        tried.frontier, years=tried.years, ax=ax, say=say, currency=say.currency, titled=False))
    for file, picture in zip(TRADE_PICTURES, (drawn.wide, drawn.narrow), strict=True):
        (stage / file).write_bytes(picture)
    (stage / "policies_summary.pdf").write_bytes(
        committee_paper(tried, say, name=chain.project.name))
    told = policy_messages(tried)
    return {"project": chain.project.name, "years": tried.years, "draws": tried.draws,
            "policies": tried.policies, "cost_and_days": tried.frontier.to_dict("records"),
            "sentences": say.all([*told, *tried.doubts])}
