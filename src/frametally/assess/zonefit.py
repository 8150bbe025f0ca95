"""Courses of gases in one well-mixed room to the air change that explains them all: the single-zone mass balance, fitted.

With a constant source a gas runs exponentially towards a level of its own, and all gases at one rate, the air change
(ASTM E741, concentration decay; equation from memory): C(t) = P + (C0 - P) exp(-A t), P = outdoor level + source / (A V).
For a given A the levels are a linear least-squares problem, so only A itself is searched. The interval is the profile of
the fit, with the number of readings cut down to what their likeness from one to the next leaves of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import optimize, stats

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

SLOWEST_PER_H, FASTEST_PER_H = 0.01, 60.0
GRID_POINTS = 80


@dataclass(frozen=True)
class Stretch:
    """A time with one constant source, in minutes; `is_off` where nothing is given off, so that the air runs to outdoors."""

    start_min: float
    stop_min: float
    is_off: bool = False


@dataclass(frozen=True)
class Course:
    """One gas over one unbroken time: readings, the stretches that cover it, and its outdoor level where known.

    `half_step` is half a step of the display; `outdoor` and `outdoor_sd` what is known of the level outdoors (as the display
    would show it), None for nothing. All in the display's unit.
    """

    key: str
    minutes: Floats
    values: Floats
    stretches: tuple[Stretch, ...]
    half_step: float = 0.0
    outdoor: float | None = None
    outdoor_sd: float = 1.0


@dataclass(frozen=True)
class CourseFit:
    """How one course fits at the best air change: outdoor level (None where no stretch shows it), levels, misfit, noise of single
    readings, how many readings in a row count as one (`memory`), and how many independent ones are left (`freedom`)."""

    key: str
    outdoor: float | None
    levels: tuple[float, ...]
    rms: float
    noise: float
    memory: float
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
    profile: dict[str, list[float]] = field(default_factory=dict)

    @property
    def is_told(self) -> bool:
        """True where the night tells the air change."""
        return not self.reason


def decay_rate(first: float, later: float, hours: float, outdoor: float = 0.0) -> float:
    """Give the air change from two levels of a gas that nothing gives off any more. [per hour]

    A = ln((C0 - Cout) / (Ct - Cout)) / t (ASTM E741, equation from memory). NaN where a level is not above outdoors.
    """
    if hours <= 0 or first <= outdoor or later <= outdoor:
        return math.nan
    return math.log((first - outdoor) / (later - outdoor)) / hours


def relax(level: float, outdoor: float, source: float, rate_per_h: float, hours: float) -> float:
    """Give a gas after some hours: `source` is what is given off, in the unit of the level per hour (source / volume)."""
    if rate_per_h <= 0:
        return level + source * hours
    return level + (source - rate_per_h * (level - outdoor)) * -math.expm1(-rate_per_h * hours) / rate_per_h


def design(course: Course, rate_per_h: float) -> tuple[Floats, Floats]:
    """Give what multiplies the unknown levels (start, one per source, outdoors last) and the weight row of what is known.

    The course is then matrix @ levels. Stretches without a source share the outdoor level.
    """
    rate = rate_per_h / 60
    sources = [one for one in course.stretches if not one.is_off]
    matrix = np.zeros((len(course.minutes), 2 + len(sources)))
    begin = course.stretches[0].start_min
    matrix[:, 0] = np.exp(-rate * np.maximum(course.minutes - begin, 0))
    column = 1
    for stretch in course.stretches:
        inside = np.clip(course.minutes, stretch.start_min, stretch.stop_min)
        after = np.maximum(course.minutes - stretch.stop_min, 0)
        share = (1 - np.exp(-rate * (inside - stretch.start_min))) * np.exp(-rate * after)
        if stretch.is_off:
            matrix[:, -1] += share
        else:
            matrix[:, column] = share
            column += 1
    return matrix, np.array([0.0] * (matrix.shape[1] - 1) + [1.0])


def _has_outdoor(course: Course) -> bool:
    return any(one.is_off for one in course.stretches)


def _solve(course: Course, rate_per_h: float) -> tuple[Floats, Floats, float]:
    """Levels, residuals and the misfit that counts (squares of both readings and prior knowledge) at one air change."""
    matrix, known = design(course, rate_per_h)
    values = course.values
    if not _has_outdoor(course):
        matrix = matrix[:, :-1]
    elif course.outdoor is not None:
        # The prior weighs as one reading whose error is outdoor_sd, against the readings' own noise.
        weight = max(noise_of(course), 1e-9) / course.outdoor_sd
        matrix = np.vstack([matrix, known * weight])
        values = np.append(values, course.outdoor * weight)
    levels: Floats = np.asarray(np.linalg.lstsq(matrix, values, rcond=1e-10)[0], dtype=np.float64)
    residuals = values - matrix @ levels
    rounding = len(course.values) * course.half_step**2 / 3
    return levels, residuals[: len(course.values)], float(residuals @ residuals) + 0.05 * rounding + 1e-18


def noise_of(course: Course) -> float:
    """Give the noise of single readings: from second differences, and at least what rounding leaves."""
    rounding = course.half_step / math.sqrt(3)
    if len(course.values) < 4:
        return rounding
    bends = np.diff(course.values, 2)
    return max(1.4826 * float(np.median(np.abs(bends))) / math.sqrt(6), rounding)


def _memory(residuals: Floats) -> float:
    """How many readings in a row say the same thing again: 1 + 2 (sum of correlations until they die out)."""
    centred = residuals - residuals.mean()
    count, power = len(centred), float(centred @ centred)
    if power <= 0 or count < 4:
        return 1.0
    spectrum = np.abs(np.fft.rfft(centred, 2 * count)) ** 2
    correlations = np.fft.irfft(spectrum)[: count // 2] / power
    dead = np.flatnonzero(correlations < 0.05)
    until = int(dead[0]) if dead.size else len(correlations)
    return 1.0 + 2.0 * max(float(correlations[1:until].sum()), 0.0)


def _grid(courses: Sequence[Course]) -> Floats:
    span_h = max(float(one.minutes[-1] - one.minutes[0]) for one in courses) / 60
    step_h = min(float(np.median(np.diff(one.minutes))) for one in courses) / 60
    slowest = max(SLOWEST_PER_H, 0.02 / span_h)
    return np.geomspace(slowest, max(min(FASTEST_PER_H, 3 / max(step_h, 1e-6)), 4 * slowest), GRID_POINTS)


def _freedom(course: Course, rate: float) -> tuple[float, float]:
    """Independent readings beyond what is fitted, and how many readings in a row count as one, at one air change."""
    residuals = _solve(course, rate)[1]
    memory = _memory(residuals)
    fitted = 1 + sum(not one.is_off for one in course.stretches) + _has_outdoor(course)
    return len(residuals) / memory - fitted - 1, memory


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
        return sum(f * math.log(_solve(c, rate)[2]) for f, c in zip(self.freedoms, self.courses, strict=True)) - self.lowest

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
    misfits = np.array([[_solve(one, rate)[2] for rate in grid] for one in courses])
    freedoms = [max(_freedom(c, float(grid[int(row.argmin())]))[0], 0.5) for c, row in zip(courses, misfits, strict=True)]
    depth = (np.array(freedoms)[:, None] * np.log(misfits)).sum(axis=0)
    place = int(depth.argmin())
    scales = [math.sqrt(row.min() / f) for f, row in zip(freedoms, misfits, strict=True)]

    def residuals(log_rate: Floats) -> Floats:
        rate = math.exp(float(log_rate[0]))
        return np.concatenate([_solve(c, rate)[1] / scale for c, scale in zip(courses, scales, strict=True)])

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
    return high - low >= LEAST_SIGNAL * max(noise_of(course), course.half_step / 2, 1e-12)


def _fit_group(courses: Sequence[Course], left_out: tuple[str, ...] = ()) -> ZoneFit:
    profile = _profile(courses)
    best = profile.best
    freedoms = [_freedom(one, best) for one in courses]
    total = sum(max(f, 0.0) for f, _ in freedoms)
    fits = tuple(_describe(one, best, f) for one, f in zip(courses, freedoms, strict=True))
    if total < LEAST_FREEDOM:
        reason = "the readings do not follow the course that a constant source and a constant air change would give"
        return ZoneFit(math.nan, 0.0, math.inf, reason, fits, left_out)
    lower, upper = profile.interval(float(stats.f.ppf(0.95, 1, total)))
    reason = ""
    if lower <= 0 or not math.isfinite(upper):
        reason = "the readings fit many different air changes about equally well"
    elif upper > WIDEST_RATIO * lower:
        reason = f"the readings fit anything from {lower:.2g} to {upper:.2g} air changes per hour"
    return ZoneFit(
        best, lower, upper, reason, fits, left_out, {"per_h": profile.grid.tolist(), "worse_by": profile.depth.tolist()}
    )


def _describe(course: Course, rate: float, freedom: tuple[float, float]) -> CourseFit:
    levels, residuals, _ = _solve(course, rate)
    return CourseFit(
        course.key,
        float(levels[-1]) if _has_outdoor(course) else None,
        tuple(float(v) for v in levels),
        math.sqrt(float(np.mean(residuals**2))),
        noise_of(course),
        freedom[1],
        freedom[0],
    )


def fit_zone(courses: Sequence[Course]) -> ZoneFit:
    """Give the air change that explains all courses together, or why it cannot be told.

    A course that says nothing by itself adds nothing; one whose own interval lies wholly outside that of the best-told one is
    left out and named.
    """
    moving = [one for one in courses if _moves(one)]
    silent = tuple(one.key for one in courses if not any(one is kept for kept in moving))
    if not moving:
        return ZoneFit(math.nan, 0.0, math.inf, "no gas rose or fell far enough out of its own noise", (), silent)
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
