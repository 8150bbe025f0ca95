"""Courses of gases in one well-mixed room to the air change that explains them all: the single-zone mass balance, fitted.

With a constant source a gas runs exponentially towards a level of its own, and all gases at one rate, the air change (see
`balance`). For a given A the levels are a linear least-squares problem, so only A itself is searched. The interval is the
profile of the fit, with the number of readings cut down to what their likeness from one to the next leaves of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, stats

from frametally.assess.balance import Course, design
from frametally.assess.samples import Floats

MOST_POINTS = 300
"""Most points of one course; longer ones are averaged in blocks before they are fitted."""

LEAST_POINTS = 8
LEAST_FREEDOM = 3.0
"""Fewest independent readings, over and above what is fitted, that a course must have to say anything (own choice)."""

WIDEST_RATIO = 3.0
"""An interval whose ends differ by more than this factor tells nothing worth a number (own choice)."""

LEAST_SIGNAL = 6.0
"""A course must move by this many times its own noise (own choice)."""

LEAST_STEPS = 5.0
"""A course must move by this many steps of its display: what rounding does to fewer does not average out (own choice)."""

BALANCE_SHARE = 0.02
"""How far the balance itself may be off, as a share of the air change: a room is not quite mixed, and a flame that takes more
moles of oxygen than it gives of gases thins the air a little less than fresh air does (own choice)."""

SLOWEST_PER_H, FASTEST_PER_H = 0.01, 60.0
GRID_POINTS = 80


@dataclass(frozen=True)
class CourseFit:
    """How one course fits at the best air change: misfit, and how many independent readings it has left (`freedom`)."""

    key: str
    rms: float
    freedom: float


@dataclass(frozen=True)
class ZoneFit:
    """An air change with its 95 % interval [per hour].

    `lower` 0 and `upper` inf mean that the readings set no end there. `reason` says why the air change cannot be told, ""
    where it can. `courses` are those used, `left_out` the keys of those that disagree or say nothing.
    """

    value: float
    lower: float
    upper: float
    reason: str
    courses: tuple[CourseFit, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def is_told(self) -> bool:
        """True where the night tells the air change."""
        return not self.reason


def _solve(course: Course, rate_per_h: float) -> tuple[Floats, float]:
    """Residuals and the misfit that counts (squares of both readings and prior knowledge) at one air change."""
    matrix, spreads = design(course, rate_per_h)
    # What is expected weighs as one reading with that error, against the readings' own noise; all but outdoors is nought.
    weights = max(course.noise, 1e-9) / spreads
    expected = np.zeros(len(weights))
    expected[-1] = course.outdoor or 0.0
    known = weights > 0
    matrix = np.vstack([matrix, np.diag(weights)[known]])
    values = np.append(course.values, (expected * weights)[known])
    levels: Floats = np.asarray(np.linalg.lstsq(matrix, values, rcond=1e-10)[0], dtype=np.float64)
    residuals = values - matrix @ levels
    rounding = len(course.values) * course.half_step**2 / 3
    return residuals[: len(course.values)], float(residuals @ residuals) + 0.05 * rounding + 1e-18


def _memory(residuals: Floats) -> float:
    """How many readings in a row say the same thing again: 1 + 2 (sum of correlations until they die out).

    They count as dead where two neighbours together are not above nought (Geyer 1992, initial positive sequence; from memory):
    a slow drift under a display's rounding keeps small correlations that a threshold on single ones would miss.
    """
    centred = residuals - residuals.mean()
    count, power = len(centred), float(centred @ centred)
    if power <= 0 or count < 4:
        return 1.0
    spectrum = np.abs(np.fft.rfft(centred, 2 * count)) ** 2
    correlations = np.fft.irfft(spectrum)[: count // 2] / power
    pairs = correlations[: len(correlations) // 2 * 2].reshape(-1, 2).sum(axis=1)
    dead = np.flatnonzero(pairs <= 0)
    return max(2.0 * float(pairs[: dead[0] if dead.size else None].sum()) - 1.0, 1.0)


def _grid(courses: Sequence[Course]) -> Floats:
    span_h = max(float(one.minutes[-1] - one.minutes[0]) for one in courses) / 60
    step_h = min(float(np.median(np.diff(one.minutes))) for one in courses) / 60
    slowest = max(SLOWEST_PER_H, 0.02 / span_h)
    return np.geomspace(slowest, max(min(FASTEST_PER_H, 3 / max(step_h, 1e-6)), 4 * slowest), GRID_POINTS)


def _freedom(course: Course, rate: float) -> float:
    """Independent readings beyond what is fitted, at one air change."""
    residuals, _ = _solve(course, rate)
    fitted = 1 + sum(not one.is_off for one in course.stretches) + any(one.is_off for one in course.stretches)
    # A display that stays on one number tells when it came and went, and no more, however little the fit leaves.
    runs = 1 + int(np.count_nonzero(np.diff(course.values)))
    return min(len(residuals) / _memory(residuals), 2 * runs) - fitted - 1


@dataclass(frozen=True)
class _Profile:
    """How much worse than the best one an air change explains the courses (the likelihood, doubled), over a grid and anywhere."""

    courses: tuple[Course, ...]
    freedoms: tuple[float, ...]
    grid: Floats
    depth: Floats
    best: float
    lowest: float

    def at(self, rate: float) -> float:
        """Give the depth at one air change."""
        return sum(f * math.log(_solve(c, rate)[1]) for f, c in zip(self.freedoms, self.courses, strict=True)) - self.lowest

    def interval(self, limit: float) -> tuple[float, float]:
        """Give the furthest air changes on either side that are no worse than the limit; 0 and inf where there is no end."""
        inside = np.flatnonzero(self.depth <= limit)
        first = min(int(inside.min(initial=len(self.grid))), int(np.searchsorted(self.grid, self.best)))
        last = max(int(inside.max(initial=-1)), int(np.searchsorted(self.grid, self.best, side="right")) - 1)
        lower, upper = 0.0, math.inf
        if first > 0:
            lower = self._cross(
                limit, float(self.grid[first - 1]), min(float(self.grid[min(first, len(self.grid) - 1)]), self.best)
            )
        if last < len(self.grid) - 1:
            upper = self._cross(limit, float(self.grid[last + 1]), max(float(self.grid[max(last, 0)]), self.best))
        return lower, upper

    def _cross(self, limit: float, outside: float, inside: float) -> float:
        if self.at(inside) > limit:  # the grid point beside the best one may itself lie beyond the limit
            inside = self.best
        return float(optimize.brentq(lambda rate: self.at(rate) - limit, *sorted((outside, inside)), rtol=1e-6))


def _profile(courses: Sequence[Course]) -> _Profile:
    grid = _grid(courses)
    misfits = np.array([[_solve(one, rate)[1] for rate in grid] for one in courses])
    freedoms = [max(_freedom(c, float(grid[int(row.argmin())])), 0.5) for c, row in zip(courses, misfits, strict=True)]
    depth = (np.array(freedoms)[:, None] * np.log(misfits)).sum(axis=0)
    place = int(depth.argmin())
    scales = [math.sqrt(row.min() / f) for f, row in zip(freedoms, misfits, strict=True)]

    def residuals(log_rate: Floats) -> Floats:
        rate = math.exp(float(log_rate[0]))
        return np.concatenate([_solve(c, rate)[0] / scale for c, scale in zip(courses, scales, strict=True)])

    start, span = math.log(grid[place]), math.log(grid[1] / grid[0])
    found = optimize.least_squares(residuals, [start], bounds=(start - span, start + span), x_scale=span)
    profile = _Profile(tuple(courses), tuple(freedoms), grid, depth, math.exp(float(found.x[0])), 0.0)
    if profile.at(profile.best) > depth[place]:
        profile = replace(profile, best=float(grid[place]))
    lowest = profile.at(profile.best)
    return replace(profile, depth=depth - lowest, lowest=lowest)


def _moves(course: Course) -> bool:
    """True where the course runs far enough out of its own noise to say anything."""
    if len(course.values) < LEAST_POINTS:
        return False
    low, high = np.percentile(course.values, [2, 98])
    return high - low >= max(LEAST_SIGNAL * max(course.noise, 1e-12), LEAST_STEPS * 2 * course.half_step)


def _fit_group(courses: Sequence[Course], left_out: tuple[str, ...] = ()) -> ZoneFit:
    profile = _profile(courses)
    best = profile.best
    freedoms = [_freedom(one, best) for one in courses]
    total = sum(max(f, 0.0) for f in freedoms)
    fits = tuple(CourseFit(one.key, _rms(one, best), f) for one, f in zip(courses, freedoms, strict=True))
    if total < LEAST_FREEDOM:
        reason = "the readings do not follow the course that a constant source and a constant air change would give"
        return ZoneFit(math.nan, 0.0, math.inf, reason, fits, left_out)
    lower, upper = profile.interval(float(stats.f.ppf(0.95, 1, total)))
    lower, upper = lower * (1 - BALANCE_SHARE), upper * (1 + BALANCE_SHARE)
    reason = ""
    if lower <= 0 or not math.isfinite(upper):
        reason = "the readings fit many different air changes about equally well"
    elif upper > WIDEST_RATIO * lower:
        reason = f"the readings fit anything from {lower:.2g} to {upper:.2g} air changes per hour"
    return ZoneFit(best, lower, upper, reason, fits, left_out)


def _rms(course: Course, rate: float) -> float:
    return math.sqrt(float(np.mean(_solve(course, rate)[0] ** 2)))


def fit_zone(courses: Sequence[Course]) -> ZoneFit:
    """Give the air change that explains all courses together, or why it cannot be told.

    A course that says nothing by itself adds nothing; one whose own interval lies wholly outside that of the best-told one is
    left out and named.
    """
    moving = [one for one in courses if _moves(one)]
    silent = tuple(one.key for one in courses if not any(one is kept for kept in moving))
    if not moving:
        return ZoneFit(
            math.nan, 0.0, math.inf, "no gas rose or fell far enough for its noise and for the steps of its display", (), silent
        )
    alone = [(one, _fit_group([one])) for one in moving]
    useful = [(one, fit) for one, fit in alone if math.isfinite(fit.value)]
    if not useful:
        return ZoneFit(math.nan, 0.0, math.inf, alone[0][1].reason, alone[0][1].courses, silent)
    _, anchor = min(useful, key=lambda pair: _width(pair[1]))
    agreeing = [one for one, fit in useful if fit.lower <= anchor.upper and fit.upper >= anchor.lower]
    others = tuple(one.key for one in courses if not any(one is kept for kept in agreeing))
    return _fit_group(agreeing, others) if len(agreeing) > 1 else replace(anchor, left_out=others)


def _width(fit: ZoneFit) -> float:
    return math.log(fit.upper / fit.lower) if fit.lower > 0 and math.isfinite(fit.upper) else math.inf
