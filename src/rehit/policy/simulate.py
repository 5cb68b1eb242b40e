"""The patch lived through under each policy: markings, reports, crews and looks, event by event.

All draws of a policy go side by side, each through its own events in order of time. Every policy
meets the same markings, with the same people reporting them (common random numbers), so that what
differs between two policies is their doing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from operator import itemgetter
from typing import Any

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from rehit.observed import DAYS_PER_YEAR
from rehit.policy.patch import Patch, Worlds
from rehit.policy.policies import Policy

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
#: Times of looks, in order, and their places.
Looks = tuple[Numbers, Whole]
MARK, PLANNED, LOOK = range(3)
BLOCK_DAYS = 28.0
LEAST_DAYS = 1e-5
#: Different places that markings of places not known so far are spread over, one after another.
ELSEWHERE = 2000
#: Events dealt with at a time, which bounds memory: a year of many is taken in parts.
MOST_EVENTS = 400_000
#: Memory that each wall of a lane takes, and each marking of a year.
WALL_BYTES, MARK_BYTES = 33, 200
#: What is added up in each year and draw: of markings, of jobs, and of both.
OF_MARKINGS = ("markings", "markings_offensive", "rehits")
OF_JOBS = ("cleared", "reported", "reported_offensive", "in_time", "in_time_offensive",
           "waiting_days", "hours")
SUMS = (*OF_MARKINGS, *OF_JOBS, "found", "faded", "visible_days", "visible_days_offensive")


@dataclass(frozen=True)
class Lived:
    """What came of one policy.

    Attributes
    ----------
    policy
        The policy.
    sums
        Name of `SUMS` to years × draws; a job counts in the year in which the wall is clean again,
        a marking in the year in which it comes.
    cleanings
        Years × draws × places, places not known before added up in the last column.
    standing
        Markings that stand at the end, by draw.
    looks
        Looks made in each year.
    """

    policy: Policy
    sums: dict[str, Numbers]
    cleanings: NDArray[np.int16]
    standing: Numbers
    looks: Numbers


def live(patch: Patch, policies: Sequence[Policy], worlds: Worlds, *, seed: int, years: int,
         effect: float = 1.0, batch: int = 128, n_jobs: int | None = None) -> list[Lived]:
    """Live the patch through under each policy, in every drawn world.

    Parameters
    ----------
    patch
        What was learnt of the patch.
    policies
        What is tried; all meet the same markings.
    worlds
        Drawn values of what is not known, one for each draw.
    seed
        Of all chance; the same seed gives the same markings whatever the policies.
    years
        Whole years ahead.
    effect
        Rate after a clearance for each doubling of the days until it (log2(days + 1)) against a
        clearance that took as long as is usual today; 1 for none.
    batch
        Draws lived through side by side; results do not depend on `n_jobs`, but on this.
    n_jobs
        Processes; None for what joblib is set to, one if nothing is.

    Returns
    -------
    list of Lived
        One for each policy, draws in the order of `worlds`.
    """
    parts = [slice(at, min(at + batch, worlds.draws)) for at in range(0, worlds.draws, batch)]
    looks = [patch.looks_of(policy, patch.ends(years)) for policy in policies]
    bare = replace(patch, intervals=_no_intervals)  # whose rule other processes need not load
    lived = Parallel(n_jobs=n_jobs)(
        delayed(_live_batch)(bare, policies, looks, worlds.part(each), [seed, number], years,
                             effect) for number, each in enumerate(parts))
    return [_joined([each.pop(0) for each in lived]) for _ in policies]


def _no_intervals(looks_per_week: float) -> Numbers:
    """Refuse to work out looks once more."""
    raise NotImplementedError(looks_per_week)


def _joined(parts: Sequence[Lived]) -> Lived:
    return replace(
        parts[0], sums={name: np.concatenate([p.sums[name] for p in parts], axis=1)
                        for name in SUMS},
        cleanings=np.concatenate([p.cleanings for p in parts], axis=1),
        standing=np.concatenate([p.standing for p in parts]))


def _live_batch(patch: Patch, policies: Sequence[Policy], looks: Sequence[Looks], worlds: Worlds,
                seed: list[int], years: int, effect: float) -> list[Lived]:
    rng = np.random.default_rng(seed)
    spread = patch.most_speed(effect)
    run = _Run(patch, policies, looks, worlds, years=years, effect=effect)
    used = np.zeros(worlds.draws, dtype=np.int64)
    for stretch in range(years + 1):  # the first leads in
        marks = come(patch, worlds, stretch=stretch, spread=spread, used=used, rng=rng)
        used = marks.used
        run.live(marks, stretch)
        del marks  # before others come
    return run.ended()


def most_draws(patch: Patch, *, policies: int, years: int, memory_bytes: float) -> int:
    """Return how many draws may be lived through side by side in so much memory."""
    walls = policies * (patch.n + ELSEWHERE) * WALL_BYTES
    cleanings = policies * (years + 2) * (patch.n + 1) * np.dtype(np.int16).itemsize
    marks = patch.expected_per_year * MARK_BYTES
    return max(int(memory_bytes / (walls + cleanings + marks)), 1)


# Markings as they would come to clean walls.

@dataclass(frozen=True)
class Marks:
    """Markings that come to walls, in order of draw and time; what each brings with it.

    Attributes
    ----------
    draw, slot
        Which draw, and which place (from the number of known places on: places not known before).
    at
        When [days].
    chance
        Uniform: whether it comes at all where the wall's rate is lower than it might be.
    never, delay, plan
        Uniform: whether nobody reports it, how soon somebody does, how soon it is planned.
    offensive
        Whether it offends.
    effort
        Minutes on the wall over what is usual there.
    used
        Places not known before that were used so far, by draw.
    """

    draw: Whole
    slot: Whole
    at: Numbers
    chance: Numbers
    never: Numbers
    delay: Numbers
    plan: Numbers
    offensive: Flags
    effort: Numbers
    used: Whole

    def part(self, rows: Flags) -> Marks:
        """Return some of the markings."""
        return Marks(**{name: value if name == "used" else value[rows]
                        for name, value in vars(self).items()})


def come(patch: Patch, worlds: Worlds, *, stretch: int, spread: float, used: Whole,
         rng: np.random.Generator) -> Marks:
    """Draw the markings of one stretch of days: the lead-in is number 0, then come the years.

    Each place brings bursts, a Poisson number of them in each four weeks, of a logarithmic number
    of markings: together a negative binomial count whose variance is ``bursts.place`` times the
    squared mean above a Poisson count's. Places close together, and the town, have better and worse
    four weeks on top.

    References
    ----------
    Quenouille 1949, Biometrics 5, 162-164: the negative binomial as a Poisson number of
    logarithmic groups.
    """
    start, end = patch.ends(stretch - 1), patch.ends(stretch)
    edges = np.append(np.arange(start, max(end - BLOCK_DAYS / 2, start + 1e-9), BLOCK_DAYS), end)
    lengths = np.diff(edges)
    season = patch.season_of(edges) * spread * worlds.bursts(patch.bursts["town"], len(lengths),
                                                             rng)
    level = worlds.level[:, max(stretch - 1, 0), None] * season  # draws × blocks
    slot, draw, block = _at_known_places(patch, worlds, level, lengths, rng)
    per_day = patch.elsewhere_per_year / DAYS_PER_YEAR
    fresh = rng.poisson(level * lengths * per_day * (1 + worlds.never_ratio[:, None]))
    more_draw, more_block = _expanded(fresh)
    # One place after another, so that none is met twice while the first marking stands.
    order = np.arange(len(more_draw)) - np.repeat(
        np.cumsum(fresh.sum(axis=1)) - fresh.sum(axis=1), fresh.sum(axis=1))
    more_slot = patch.n + (used[more_draw] + order) % ELSEWHERE
    slot, draw, block = (np.concatenate(pair) for pair in (
        (slot, more_slot), (draw, more_draw), (block, more_block)))
    at = edges[block] + rng.random(len(slot)) * lengths[block]
    order = np.argsort(draw * end + at)
    slot, draw, at = slot[order], draw[order], at[order]
    chance, never, delay, plan = rng.random((4, len(slot)))
    offends = patch.offensive[np.minimum(slot, patch.n)]
    effort = np.exp(rng.normal(-patch.effort_sd**2 / 2, patch.effort_sd, len(slot)))
    return Marks(draw, slot, at, chance, never, delay, plan,
                 rng.random(len(slot)) < offends, effort, used + fresh.sum(axis=1))


def _at_known_places(patch: Patch, worlds: Worlds, level: Numbers, lengths: Numbers,
                     rng: np.random.Generator) -> tuple[Whole, Whole, Whole]:
    """Return place, draw and block of each marking at a known place."""
    var, draws = patch.bursts["place"], worlds.draws
    mean = worlds.rates * (BLOCK_DAYS / DAYS_PER_YEAR)  # draws × places, of a usual block
    bursts = np.log1p(var * mean) / var if var > 0 else mean
    order = np.argsort(patch.cell, kind="stable")
    first = np.flatnonzero(np.diff(patch.cell[order], prepend=-1))
    in_cell = np.add.reduceat(bursts[:, order], first, axis=1)
    busy = worlds.bursts(patch.bursts["cell"], len(first) * len(lengths), rng).reshape(
        draws, len(first), len(lengths))
    number = rng.poisson(in_cell[:, :, None] * busy * (level * lengths / BLOCK_DAYS)[:, None, :])
    draw, cell, block = (np.repeat(each, number.ravel()) for each in (
        np.asarray(part).ravel() for part in np.indices(number.shape)))
    reach = np.cumsum(bursts[:, order].ravel())
    before = reach.reshape(draws, -1)[:, first] - bursts[:, order][:, first]
    target = before[draw, cell] + rng.random(len(draw)) * in_cell[draw, cell]
    found = np.minimum(np.searchsorted(reach, target, side="right"), len(reach) - 1)
    place = order[found % patch.n]
    if var > 0:
        expected = var * mean[draw, place]
        size = rng.logseries(np.clip(expected / (1 + expected), 1e-12, 1 - 1e-9))
        place, draw, block = (np.repeat(each, size) for each in (place, draw, block))
    return place, draw, block


def _expanded(number: NDArray[np.int64]) -> tuple[Whole, Whole]:
    """Return row and column of each one counted in a table of numbers."""
    rows, columns = np.indices(number.shape)
    return np.repeat(rows.ravel(), number.ravel()), np.repeat(columns.ravel(), number.ravel())


# The policies, year by year.

class _Run:
    """All draws of all policies side by side: a lane for each draw of each policy."""

    def __init__(self, patch: Patch, policies: Sequence[Policy], looks: Sequence[Looks],
                 worlds: Worlds, *, years: int, effect: float) -> None:
        self.patch, self.policies, self.looks, self.worlds = patch, policies, looks, worlds
        self.years = years
        self.effect, self.spread = effect, patch.most_speed(effect)
        self.n_lanes, self.end = len(policies) * worlds.draws, patch.ends(years)
        self.slots = patch.n + ELSEWHERE
        size = self.n_lanes * self.slots
        self.since = np.full(size, np.inf)  # first marking since the wall was clean
        self.reported = np.full(size, np.inf)  # when that was, or will be, reported
        self.clear = np.full(size, -np.inf)  # when the crew is, or was, done there
        self.effort = np.ones(size, dtype=np.float32)
        self.offends = np.zeros(size, dtype=bool)
        self._set_policies()
        self.book = _Book(patch, self.n_lanes, years=years, standards=self.standards)
        self.waiting = _Jobs.none()

    def _set_policies(self) -> None:
        """Lay out what the policies make of crews, walls, standards and looks."""
        patch, practice = self.patch, self.patch.practice

        def lanes(values: Sequence[float]) -> Numbers:
            return np.repeat(np.asarray(values, dtype=float), self.worlds.draws)

        coated = np.array([patch.coated_by(policy) for policy in self.policies])
        onsite = np.where(coated, patch.onsite_coated_h, patch.onsite_h)
        elsewhere = np.full((len(coated), 1), patch.onsite_elsewhere_h)
        self.onsite_h = np.concatenate([onsite, elsewhere], axis=1).ravel()
        speed = np.where(coated, 1 - patch.prevented, 1.0)
        self.usual_speed = np.concatenate(
            [speed, np.ones((len(coated), ELSEWHERE))], axis=1).astype(np.float32)
        self.speed = np.repeat(self.usual_speed, self.worlds.draws, axis=0).ravel()
        self.policy = np.repeat(np.arange(len(self.policies)), self.worlds.draws)
        self.travel_h = lanes([patch.travel_of(policy) for policy in self.policies])
        self.standards = np.repeat([patch.standards(policy) for policy in self.policies],
                                   self.worlds.draws, axis=0)
        self.minutes = np.tile(self.worlds.minutes, len(self.policies))
        crews = [patch.crews_of(policy) for policy in self.policies]
        whole = [max(1, int(np.ceil(each - 1e-9))) for each in crews]
        self.day_h = lanes([patch.job_hours_a_day(policy) / n
                            for policy, n in zip(self.policies, whole, strict=True)])
        self.free = np.where(np.arange(max(whole))[:, None] < lanes(whole), 0.0, np.inf)
        self.clock = practice.clock

    def live(self, marks: Marks, stretch: int) -> None:
        """Live through the lead-in or one year, in parts of so many events as memory holds."""
        events = len(marks.at) * len(self.policies)
        edges = np.linspace(self.patch.ends(stretch - 1), self.patch.ends(stretch),
                            events // MOST_EVENTS + 2)
        self.now = stretch
        for start, until in pairwise(edges.tolist()):
            last = until == edges[-1]
            self._live_part(marks.part((marks.at >= start) & ((marks.at < until) | last)),
                            start, until)

    def _live_part(self, marks: Marks, start: float, until: float) -> None:
        earlier = len(self.waiting.at)
        self.jobs = jobs = self.waiting.followed_by(self._jobs_of(marks))
        deals = self._mark, self._plan, self._look
        for kind, lane, item, time in _in_order(
                jobs, first_new=earlier, start=start, until=until, n_lanes=self.n_lanes):
            deals[kind](lane, item, time)
        self.waiting = jobs.kept(np.flatnonzero(
            ((jobs.planned >= until) & (jobs.planned < self.end))
            | ((jobs.looked >= until) & (jobs.looked < self.end))))
        self.jobs = self.waiting  # the others need no memory any more
        self.book.add_up()

    def _jobs_of(self, marks: Marks) -> _Jobs:
        """Return a stretch's markings as each policy has them: reported, planned, looked at."""
        patch, worlds, draws = self.patch, self.worlds, self.worlds.draws
        place = np.minimum(marks.slot, patch.n)
        chance = marks.plan ** worlds.haste[marks.draw]
        usual = -np.log1p(-marks.delay) * worlds.report_days[marks.draw, place]
        told, plans, looked = [], [], []
        waits = {order: patch.waits_at(chance, order)
                 for order in {policy.order for policy in self.policies}}
        for policy, looks in zip(self.policies, self.looks, strict=True):
            ratio = worlds.never_ratio * policy.never_reported_share
            never = marks.never < (ratio / (1 + ratio))[marks.draw]
            reported = np.where(never, np.inf, marks.at + usual * policy.report_days_share)
            told.append(reported)
            # A job never comes before its marking, even where everything happens at once.
            plans.append(np.maximum(
                patch.planned(reported, waits[policy.order], marks.offensive, policy),
                reported + LEAST_DAYS))
            looked.append(_first_look(marks, *looks, end=self.end))
        n = len(self.policies)
        return _Jobs(np.concatenate([marks.draw + each * draws for each in range(n)]),
                     np.tile(marks.slot, n), np.tile(marks.at, n), np.tile(marks.chance, n),
                     np.concatenate(told), np.concatenate(plans), np.concatenate(looked),
                     np.tile(marks.effort, n), np.tile(marks.offensive, n),
                     np.zeros(n * len(marks.at), dtype=bool))

    def _mark(self, lane: Whole, job: Whole, now: Numbers) -> None:
        """Let markings come: to a clean wall, or beside one that stands there already."""
        jobs, slot = self.jobs, self.jobs.slot[job]
        wall = lane * self.slots + slot
        since, reported, clear = self.since[wall], self.reported[wall], self.clear[wall]
        gone = self._fade(lane, wall, since, reported, now)
        stands = (since < np.inf) & ~gone
        free = now >= clear
        clean = free & ~stands & (jobs.chance[job] * self.spread < self.speed[wall])
        beside = free & stands & (reported > now)
        jobs.settled[job] = ~(clean | beside)
        new, wall_new = job[clean], wall[clean]
        self.since[wall_new] = now[clean]
        self.reported[wall_new] = jobs.reported[new]
        self.effort[wall_new] = jobs.effort[new]
        self.offends[wall_new] = offensive = jobs.offensive[new]
        again = self.patch.seen_before[np.minimum(slot[clean], self.patch.n)] | (
            clear[clean] > -np.inf)
        self.book.came.append((self.now, lane[clean], offensive, again))
        if beside.any():
            wall, job = wall[beside], job[beside]
            self.reported[wall] = np.minimum(reported[beside], jobs.reported[job])
            self.offends[wall] |= jobs.offensive[job]

    def _fade(self, lane: Whole, wall: Whole, since: Numbers, reported: Numbers,
              now: Numbers) -> Flags:
        """Take off what nobody reports and others removed, or the weather; say where."""
        days = self.patch.fades_after_days
        gone = (reported == np.inf) & (now - since > days)
        if gone.any():
            self.book.faded.append((lane[gone], since[gone], since[gone] + days,
                                    self.offends[wall[gone]]))
            self.since[wall[gone]] = np.inf
        return np.asarray(gone)

    def _plan(self, lane: Whole, job: Whole, now: Numbers) -> None:
        """Hand reported markings to the crews, unless the wall is done or in hand already."""
        jobs = self.jobs
        slot = jobs.slot[job]
        wall = lane * self.slots + slot
        live = np.flatnonzero(~jobs.settled[job] & (self.since[wall] <= jobs.at[job])
                              & (now >= self.clear[wall]))
        if len(live):
            lane = lane[live]
            self._send(lane, slot[live], wall[live], now[live], self.travel_h[lane])

    def _look(self, lane: Whole, job: Whole, now: Numbers) -> None:
        """Look at the walls of markings; what stands there is dealt with at once."""
        place = self.jobs.slot[job]
        wall = lane * self.slots + place
        since, reported = self.since[wall], self.reported[wall]
        gone = self._fade(lane, wall, since, reported, now)
        live = np.flatnonzero((since < np.inf) & ~gone & (now >= self.clear[wall]))
        if len(live):
            lane = lane[live]
            self.book.found.append((self.now, lane[reported[live] > now[live]]))
            self._send(lane, place[live], wall[live], now[live], 0.0)

    def _send(self, lane: Whole, slot: Whole, wall: Whole, now: Numbers,
              travel_h: Numbers | float) -> None:
        """Give each job to the crew that is free first; no crew leaves one for another.

        A planned job is done by the time of its plan, as the log's jobs were, if a crew is free
        for it between the report and then; else as soon as one is. An offensive marking that was
        cleared on a day off, with no hour of a crew in between, is cleared by call-out again.
        """
        patch, reported = self.patch, self.reported[wall]
        place = np.minimum(slot, patch.n)
        hours = travel_h + self.minutes[lane] * self.effort[wall] * self.onsite_h[
            self.policy[lane] * (patch.n + 1) + place]
        takes = hours / self.day_h[lane]
        free = self.free[:, lane]
        crew = free.argmin(axis=0)
        by_now, at_report = (self.clock.work(when) for when in (now, np.minimum(reported, now)))
        offends = self.offends[wall]
        called = offends & (by_now <= at_report + LEAST_DAYS) & (reported < now)
        ready = free[crew, np.arange(len(lane))]
        done = np.maximum(np.maximum(by_now - takes, at_report), ready) + takes
        self.free[crew, lane] = np.where(called, ready, done)
        clear = np.where(called, now, np.maximum(self.clock.time(done), now))
        self.book.sent.append((lane, place, self.since[wall], clear, reported, offends, hours))
        self.since[wall], self.reported[wall], self.clear[wall] = np.inf, np.inf, clear
        if self.effect != 1:
            waited = np.where(reported <= clear, clear - reported, 0.0)
            self.speed[wall] = self.usual_speed[self.policy[lane], slot] * patch.speed_after(
                waited, self.effect)

    def ended(self) -> list[Lived]:
        """Count what still stands; what crews would be done with later stands too."""
        wall = np.flatnonzero(self.since < np.inf)
        lane, since = wall // self.slots, self.since[wall]
        fades = since + self.patch.fades_after_days
        gone = (self.reported[wall] == np.inf) & (fades < self.end)
        standing = self.book.close(lane, since, np.where(gone, fades, np.inf), self.offends[wall])
        edges = [self.patch.ends(stretch) for stretch in range(self.years + 1)]
        lived = []
        for number, policy in enumerate(self.policies):
            own = slice(number * self.worlds.draws, (number + 1) * self.worlds.draws)
            looks = np.diff(np.searchsorted(self.looks[number][0], edges)).astype(float)
            lived.append(Lived(
                policy, {name: self.book.sums[name][1:-1, own] for name in SUMS},
                self.book.cleanings[1:-1, own], standing[own], looks))
        return lived


class _Book:
    """What happened, as it happens, added up by year and lane from time to time.

    Attributes
    ----------
    sums
        Name of `SUMS` to stretches × lanes: the lead-in, the years, what comes after the end.
    cleanings
        Stretches × lanes × places, places not known before in the last column.
    came, sent, faded, found
        Not added up yet: markings that came to clean walls, jobs of the crews, markings that went
        of themselves, and lanes in which looks found what nobody had reported.
    """

    def __init__(self, patch: Patch, n_lanes: int, *, years: int, standards: Numbers) -> None:
        self.years, self.lead, self.end = years, patch.lead_days, patch.ends(years)
        self.clock, self.standards = patch.practice.clock, standards
        self.shape = years + 2, n_lanes
        self.sums = {name: np.zeros(self.shape) for name in SUMS}
        self.cleanings = np.zeros((*self.shape, patch.n + 1), dtype=np.int16)
        self.came: list[tuple[int, Whole, Flags, Flags]] = []
        self.sent: list[tuple[Whole, Whole, Numbers, Numbers, Numbers, Flags, Numbers]] = []
        self.faded: list[tuple[Whole, Numbers, Numbers, Flags]] = []
        self.found: list[tuple[int, Whole]] = []

    def _stretch(self, time: Numbers) -> Whole:
        """Return the stretch that each time falls into."""
        number = np.floor((time - self.lead) / DAYS_PER_YEAR).astype(np.int64) + 1
        return np.asarray(np.minimum(np.maximum(number, 0), self.years + 1))

    def _add(self, stretch: Whole | int, lane: Whole,
             **values: NDArray[np.generic] | None) -> None:
        """Add values, or ones, to sums."""
        where = np.asarray(stretch * self.shape[1] + lane)
        for name, value in values.items():
            self.sums[name] += np.bincount(
                where, value, minlength=self.shape[0] * self.shape[1]).reshape(self.shape)

    def add_up(self) -> None:
        """Add up what happened since it was last done."""
        for now, rows in groupby(self.came, key=itemgetter(0)):
            lane, offensive, again = _joined_columns([row[1:] for row in rows])
            self._add(now, lane, markings=None, markings_offensive=offensive, rehits=again)
        for now, found in groupby(self.found, key=itemgetter(0)):
            self._add(now, np.concatenate([lane for _, lane in found]), found=None)
        if self.faded:
            lane, since, until, offends = _joined_columns(self.faded)
            self._add(self._stretch(until), lane, faded=None)
            self._stood(lane, since, until, offends)
        if self.sent:
            self._add_jobs(*_joined_columns(self.sent))
        self.came, self.found, self.faded, self.sent = [], [], [], []

    def _add_jobs(self, lane: Whole, place: Whole, since: Numbers, clear: Numbers,
                  reported: Numbers, offends: Flags, hours: Numbers) -> None:
        """Add jobs up in the year in which the wall is clean again."""
        year, told = self._stretch(clear), reported <= clear
        waited = np.where(told, clear, self.end) - np.where(told, reported, self.end)
        known, (days, hours_as_days) = np.where(told, reported, 0.0), self.standards[lane].T
        due = np.where(offends, known + hours_as_days, self.clock.end_of(days, known))
        in_time = told & (clear <= due)
        self._add(year, lane, cleared=None, reported=told, reported_offensive=told & offends,
                  in_time=in_time, in_time_offensive=in_time & offends, waiting_days=waited,
                  hours=hours)
        self._stood(lane, since, clear, offends)
        flat = (year * self.shape[1] + lane) * self.cleanings.shape[2] + place
        np.add.at(self.cleanings.reshape(-1), flat, 1)

    def _stood(self, lane: Whole, since: Numbers, until: Numbers, offends: Flags) -> None:
        """Add up the days that markings stood, each in its year."""
        until = np.minimum(until, self.end)
        first = self._stretch(since)
        days = np.minimum(until, self.lead + first * DAYS_PER_YEAR) - since
        left = until - since - days
        # Two years later and more is rare: such days are counted in the year of the end.
        last = np.minimum(self._stretch(until), self.years)
        for year, part in ((first, days), (last, left)):
            self._add(year, lane, visible_days=part, visible_days_offensive=part * offends)

    def close(self, lane: Whole, since: Numbers, fades: Numbers, offends: Flags) -> Numbers:
        """Add up what stands at the end, or has gone by then, and return how many stand by lane."""
        gone = np.isfinite(fades)
        self._add(self._stretch(fades[gone]), lane[gone], faded=None)
        self._stood(lane, since, np.minimum(fades, self.end), offends)
        return np.asarray(np.bincount(lane[~gone], minlength=self.shape[1])
                          + self.sums["cleared"][-1])


def _joined_columns(rows: Sequence[tuple[Any, ...]]) -> list[Any]:
    """Return rows of columns as one column each."""
    return [np.concatenate(column) for column in zip(*rows, strict=True)]


@dataclass
class _Jobs:
    """Markings with what a policy makes of them; `settled` ones bring the crews no job."""

    lane: Whole
    slot: Whole
    at: Numbers
    chance: Numbers
    reported: Numbers
    planned: Numbers
    looked: Numbers
    effort: Numbers
    offensive: Flags
    settled: Flags

    @classmethod
    def none(cls) -> _Jobs:
        whole, number, flag = (np.zeros(0, dtype=kind) for kind in (np.int64, float, bool))
        return cls(whole, whole, number, number, number, number, number, number, flag, flag)

    def followed_by(self, later: _Jobs) -> _Jobs:
        return _Jobs(*(np.concatenate([mine, theirs]) for mine, theirs in zip(
            vars(self).values(), vars(later).values(), strict=True)))

    def kept(self, rows: Whole) -> _Jobs:
        return _Jobs(*(each[rows] for each in vars(self).values()))


def _first_look(marks: Marks, times: Numbers, places: Whole, *, end: float) -> Numbers:
    """Return when each marking's place is looked at next; never, where nobody looks any more.

    Looks at clean walls change nothing, so only these are lived through.
    """
    if not len(times):
        return np.full(len(marks.at), np.inf)
    key = places * (end + 1.0) + times
    order = np.argsort(key)
    found = np.searchsorted(key[order], marks.slot * (end + 1.0) + marks.at)
    look = order[np.minimum(found, len(order) - 1)]
    return np.where((found < len(order)) & (places[look] == marks.slot), times[look], np.inf)


def _in_order(jobs: _Jobs, *, first_new: int, start: float, until: float,
              n_lanes: int) -> Iterator[tuple[int, Whole, Whole, Numbers]]:
    """Yield kind, lanes, jobs and times of events that may be dealt with side by side.

    Each lane's events come in order of time; no lane comes twice in one turn.
    """
    item, time, ends = _turns(jobs, first_new=first_new, start=start, until=until,
                              n_lanes=n_lanes)
    lane = jobs.lane[item]
    for at, (begin, end) in enumerate(pairwise([0, *ends])):
        if end > begin:
            yield at % (LOOK + 1), lane[begin:end], item[begin:end], time[begin:end]


def _turns(jobs: _Jobs, *, first_new: int, start: float, until: float,
           n_lanes: int) -> tuple[Whole, Numbers, list[int]]:
    """Return jobs and times of events as they are dealt with, and where each kind's turn ends."""
    new = np.arange(first_new, len(jobs.at))
    planned, looked = (np.flatnonzero((when >= start) & (when < until))
                       for when in (jobs.planned, jobs.looked))
    item = np.concatenate([new, planned, looked])
    lane = jobs.lane[item]
    time = np.concatenate([jobs.at[new], jobs.planned[planned], jobs.looked[looked]])
    kind = np.repeat(np.array([MARK, PLANNED, LOOK], dtype=np.int8),
                     [len(new), len(planned), len(looked)])
    # Equal times in the order they stand here, however many lanes there are.
    order = np.argsort(lane * (until + 1.0) + time, kind="stable")
    number = np.bincount(lane, minlength=n_lanes)
    step = np.arange(len(order)) - np.repeat(np.cumsum(number) - number, number)
    turn = step * (LOOK + 1) + kind[order]
    order = order[np.argsort(turn, kind="stable")]
    return item[order], time[order], np.cumsum(np.bincount(turn, minlength=1)).tolist()
