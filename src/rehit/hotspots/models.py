"""Recurrent-event models: Andersen-Gill and Prentice-Williams-Peterson with grouped robust errors.

The proportional-rates likelihood with late entry is written out here because the usual libraries
either take the entry time as inside the spell or get the clustered errors wrong when it is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t as student

from rehit.errors import SettingError, TableError

TIES = ("efron", "breslow")
ROUNDS = 40
SETTLED = 1e-10


@dataclass(frozen=True)
class RateModel:
    """A fitted model: effects on the log rate, with naive and cluster-robust covariance.

    Parameters
    ----------
    names
        Columns of the design, in the order of `effects`.
    effects
        Change of the log rate per unit of each column.
    naive_covariance, robust_covariance
        Inverse information; the same sandwiched around score residuals summed by place.
    log_likelihood
        Partial log likelihood at the estimate.
    n_spells, n_events, n_clusters
        Size of the data used.
    settled
        Whether the fit converged to finite effects.
    """

    names: tuple[str, ...]
    effects: np.ndarray
    naive_covariance: np.ndarray
    robust_covariance: np.ndarray
    log_likelihood: float
    n_spells: int
    n_events: int
    n_clusters: int
    settled: bool

    def table(self, *, level: float = 0.9) -> pd.DataFrame:
        """Return one row per column: effect, both errors, rate ratio with robust interval, p.

        Interval and p allow for the number of places behind the robust errors: Student's t with
        one degree of freedom less than places, and the errors stretched by sqrt(n / (n - 1)).

        References
        ----------
        Cameron and Miller 2015, J. Human Resources 50:317-372 (few clusters).
        """
        robust = np.sqrt(np.diag(self.robust_covariance))
        free = max(self.n_clusters - 1, 1)
        stretched = robust * np.sqrt((free + 1) / free)
        z = student.ppf((1 + level) / 2, free)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return pd.DataFrame({
                "name": list(self.names), "effect": self.effects,
                "naive_error": np.sqrt(np.diag(self.naive_covariance)), "robust_error": robust,
                "rate_ratio": np.exp(self.effects), "low": np.exp(self.effects - z * stretched),
                "high": np.exp(self.effects + z * stretched),
                "p_value": 2 * student.sf(np.abs(self.effects / stretched), free),
            })


@dataclass(frozen=True)
class _Clock:
    """Spells sorted out once: who is at risk at which event time."""

    event_at: np.ndarray  # row -> event time it ends with, -1 where censored
    enter: np.ndarray  # row -> number of event times before it enters
    leave: np.ndarray  # row -> number of event times up to its end
    tied: np.ndarray  # event time -> events there
    at: np.ndarray  # (event time, tie) pairs: event time of each
    part: np.ndarray  # (event time, tie) pairs: share of the tied events taken out


def fit_rates(start: np.ndarray, stop: np.ndarray, event: np.ndarray, x: np.ndarray, *,
              names: tuple[str, ...], cluster: np.ndarray, strata: np.ndarray | None = None,
              ties: str = "efron") -> RateModel:
    """Fit a proportional-rates model to spells (start, stop].

    Assumptions: effects multiply the rate and do not change with time; a spell is at risk after
    `start` and up to and with `stop`; spells of one cluster may depend on each other (robust
    covariance), clusters are independent.

    Parameters
    ----------
    start, stop
        Spell limits [any one unit of time], shape (n,), start < stop.
    event
        Whether the spell ended with a marking, shape (n,).
    x
        Design, shape (n, p).
    names
        Names of the p columns.
    cluster
        Place of each spell, shape (n,).
    strata
        Groups with a baseline of their own, shape (n,); default one group.
    ties
        ``efron`` or ``breslow``: how several events at one time are treated.

    Returns
    -------
    RateModel

    Raises
    ------
    SettingError
        For an unknown `ties`, or columns of the design that cannot be told apart.
    TableError
        For spells that do not last, values missing in the design, or no event at all.

    References
    ----------
    Andersen and Gill 1982, Annals of Statistics 10:1100-1120. Therneau and Grambsch 2000, Modeling
    Survival Data, chapter 8 and appendix E. Lin and Wei 1989, JASA 84:1074-1078 (robust errors).

    Examples
    --------
    >>> model = fit_rates(np.zeros(4), np.array([1.0, 2, 3, 4]), np.ones(4),
    ...     np.array([[1.0], [0], [1], [0]]), names=("lit",), cluster=np.arange(4))
    >>> model.effects.round(3)
    array([0.941])
    """
    start, stop = np.asarray(start, "float64"), np.asarray(stop, "float64")
    event, x = np.asarray(event, dtype=bool), np.asarray(x, "float64")
    _check(start, stop, event, x, names, ties)
    clock = _lay_out(start, stop, event, strata, efron=ties == "efron")
    centred = x - x.mean(axis=0)
    effects, value, settled = np.zeros(x.shape[1]), -np.inf, False
    step = np.zeros(x.shape[1])
    for _ in range(ROUNDS):
        trial, score, information, _ = _sums(effects + step, centred, event, clock)
        if trial < value - SETTLED * abs(value):
            step = step / 2
            continue
        effects, gain, value = effects + step, trial - value, trial
        if gain < SETTLED * (1 + abs(value)):
            settled = True
            break
        step = np.linalg.pinv(information, hermitian=True) @ score
    _, _, information, residuals = _sums(effects, centred, event, clock)
    naive = np.linalg.pinv(information, hermitian=True)
    code, groups = pd.factorize(np.asarray(cluster))
    grouped = np.zeros((len(groups), x.shape[1]))
    np.add.at(grouped, code, residuals)
    influence = grouped @ naive
    # Monotone likelihood "settles" far out: no finite effect explains the data better.
    # So does a column that never varies among those at risk together: its information is nil.
    scale = np.sqrt(np.diag(information).clip(min=1e-300))
    told_apart = np.linalg.cond(information / np.outer(scale, scale)) < 1e10
    finite = bool(told_apart and np.sqrt(np.diag(naive)).max() < 50)
    return RateModel(tuple(names), effects, naive, influence.T @ influence, value, len(start),
                     int(event.sum()), len(groups), settled and finite)


def andersen_gill(spells: pd.DataFrame, x: pd.DataFrame, *, ties: str = "efron") -> RateModel:
    """Fit the Andersen-Gill model: one baseline on the clock of the window, every spell alike.

    The baseline follows the calendar, so season is in it already: read the effect of season from
    the gap clock of :func:`prentice_williams_peterson`.

    Parameters
    ----------
    spells
        ``place_id, start, stop, event`` (see :func:`rehit.hotspots.recurrence.rehit_spells`).
    x
        Numeric design with the index of `spells`.
    ties
        As in :func:`fit_rates`.
    """
    return fit_rates(spells["start"].to_numpy(), spells["stop"].to_numpy(),
                     spells["event"].to_numpy(), x.to_numpy(dtype="float64"),
                     names=tuple(x.columns), cluster=spells["place_id"].to_numpy(), ties=ties)


def prentice_williams_peterson(spells: pd.DataFrame, x: pd.DataFrame, *, clock: str,
                               last_stratum: int | None = None,
                               ties: str = "efron") -> RateModel:
    """Fit the Prentice-Williams-Peterson model: a baseline of its own for every further re-hit.

    Parameters
    ----------
    spells
        ``place_id, start, stop, event, event_number``.
    x
        Numeric design with the index of `spells`.
    clock
        ``total`` (time since the window began) or ``gap`` (time since the last clearance).
    last_stratum
        Later re-hits share one baseline from this number on; default none share.
    ties
        As in :func:`fit_rates`.

    Raises
    ------
    SettingError
        For an unknown clock, and as in :func:`fit_rates`.

    References
    ----------
    Prentice, Williams and Peterson 1981, Biometrika 68:373-379.
    """
    if clock not in ("total", "gap"):
        raise SettingError("prentice_williams_peterson", got=f"clock={clock!r}",
                           allowed="total or gap", remedy="choose one")
    start, stop = spells["start"].to_numpy("float64"), spells["stop"].to_numpy("float64")
    strata = spells["event_number"].to_numpy()
    if last_stratum is not None:
        strata = np.minimum(strata, last_stratum)
    if clock == "gap":
        start, stop = np.zeros(len(start)), stop - start
    return fit_rates(start, stop, spells["event"].to_numpy(), x.to_numpy(dtype="float64"),
                     names=tuple(x.columns), cluster=spells["place_id"].to_numpy(),
                     strata=strata, ties=ties)


def _lay_out(start: np.ndarray, stop: np.ndarray, event: np.ndarray, strata: np.ndarray | None, *,
             efron: bool) -> _Clock:
    """Give every stratum its own stretch of whole-number time, so that one pass serves all."""
    moments, rank = np.unique(np.concatenate([start, stop]), return_inverse=True)
    code = np.zeros(len(start), int) if strata is None else pd.factorize(np.asarray(strata))[0]
    begin = code * (len(moments) + 1) + rank[: len(start)]
    end = code * (len(moments) + 1) + rank[len(start):]
    times, tied = np.unique(end[event], return_counts=True)
    event_at = np.where(event, np.searchsorted(times, end), -1)
    at = np.repeat(np.arange(len(times)), tied)
    nth = np.arange(len(at)) - np.repeat(np.cumsum(tied) - tied, tied)
    part = nth / tied[at] if efron else np.zeros(len(at))
    return _Clock(event_at, np.searchsorted(times, begin, side="right"),
                  np.searchsorted(times, end, side="right"), tied, at, part)


def _sums(effects: np.ndarray, x: np.ndarray, event: np.ndarray,
          clock: _Clock) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
    """Log likelihood, score, information, and score residual of every row."""
    eta = x @ effects
    shift = eta.max()
    risk = np.exp(eta - shift)
    many = len(clock.tied)
    both = np.column_stack([risk, risk[:, None] * x])
    # Sum over the rows at risk at each event time: those entered, less those gone.
    change = np.zeros((many + 1, both.shape[1]))
    np.add.at(change, clock.enter, both)
    np.add.at(change, clock.leave, -both)
    present = np.cumsum(change, axis=0)[:many]
    deaths = np.zeros_like(present)
    np.add.at(deaths, clock.event_at[event], both[event])
    pool = present[clock.at] - clock.part[:, None] * deaths[clock.at]
    size, mean = pool[:, 0], pool[:, 1:] / pool[:, :1]
    value = float(eta[event].sum() - np.log(size).sum() - shift * len(size))
    score = x[event].sum(axis=0) - mean.sum(axis=0)
    # Steps of the baseline, and of the baseline times the mean design, at each event time.
    ones = np.column_stack([np.ones(len(size)), mean]) / size[:, None]
    steps, spared, means = (np.zeros((many, both.shape[1])) for _ in range(3))
    np.add.at(steps, clock.at, ones)
    np.add.at(spared, clock.at, ones * clock.part[:, None])
    np.add.at(means[:, 1:], clock.at, mean)
    ahead = np.concatenate([np.zeros((1, both.shape[1])), np.cumsum(steps, axis=0)])
    lived = ahead[clock.leave] - ahead[clock.enter]
    lived[event] -= spared[clock.event_at[event]]  # tied events count in part only (Efron)
    information = (x * (risk * lived[:, 0])[:, None]).T @ x - mean.T @ mean
    residuals = -risk[:, None] * (x * lived[:, :1] - lived[:, 1:])
    own = clock.event_at[event]
    residuals[event] += x[event] - means[own, 1:] / clock.tied[own][:, None]
    return value, score, information, residuals


def _check(start: np.ndarray, stop: np.ndarray, event: np.ndarray, x: np.ndarray,
           names: tuple[str, ...], ties: str) -> None:
    if ties not in TIES:
        raise SettingError("fit_rates", got=f"ties={ties!r}", allowed=" or ".join(TIES),
                           remedy="choose one")
    if not (start < stop).all() or not np.isfinite(x).all() or not event.any():
        raise TableError("fit_rates: spells", got="a spell that does not last, a missing value in "
                         "the design, or no event", allowed="start < stop, a full design, an event",
                         remedy="build the spells with recurrence.rehit_spells and design")
    centred = x - x.mean(axis=0)
    scale = np.sqrt((centred**2).mean(axis=0))
    flat = [n for n, s in zip(names, scale, strict=True) if s == 0]
    if flat or np.linalg.matrix_rank(centred / np.where(scale > 0, scale, 1)) < x.shape[1]:
        raise SettingError("fit_rates: design", got="columns that do not vary, or that say the same"
                           f" as others ({', '.join(flat or names)})",
                           allowed="columns that can be told apart",
                           remedy="leave out one of them")
