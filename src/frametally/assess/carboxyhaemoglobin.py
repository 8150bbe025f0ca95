"""A night's carbon monoxide to the carboxyhaemoglobin of an adult who had breathed it: an estimate, with its spread.

Takes studies and a trial; gives a topic: peak, when, time above published marks, and the course over time, for a resting and
a lightly active adult. An estimate by a published equation, never a medical statement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.assess.atmosphere import HPA_PER_MMHG, SEA_LEVEL_HPA, Site, find_site
from frametally.assess.breathing import Breathed, find_breathed, find_monoxide
from frametally.assess.climate import thin
from frametally.assess.exposure import Bounded, known
from frametally.assess.samples import Bools, Floats, Timeline
from frametally.assess.study import Study
from frametally.assess.topic import Topic, of_kind
from frametally.assess.uptake import CFK_SOURCE, LIGHT, OUTDOOR_OXYGEN, PARAMETER_SOURCE, RESTING, SLOW, Crowd, Person
from frametally.assess.wording import pick_frames, write_list, write_minutes, write_moment
from frametally.model import Finding, Trial

LEAST_PRESSURE_HPA = 616.0
"""About 4000 m: above that the capillaries' oxygen is too low for the equation. [hPa]"""


@dataclass(frozen=True)
class Mark:
    """A published level of carboxyhaemoglobin [%], what it is, and where it stands."""

    level_pct: float
    meaning: str
    source: str


MARKS = (
    Mark(
        2.5,
        "the level that the World Health Organization's guidelines for the air that everyone breathes are made to stay under",
        "WHO, Air quality guidelines for Europe, 2nd ed. (2000), ch. 5.5 (seen in copies)",
    ),
    Mark(
        4.0,
        "the level from which people with diseased heart arteries may be harmed, taken for emergency planning",
        "National Research Council, AEGL vol. 8, ch. 2 (2010), AEGL-2 (from memory, confirm before citing)",
    ),
    Mark(
        5.0,
        "the level that the United States' recommendation for healthy workers was made to stay under",
        "NIOSH criteria document HSM 73-11000 (1972) (level from memory, confirm before citing)",
    ),
    Mark(
        10.0,
        "about the level before which household alarms in the United States must sound",
        "UL 2034 (seen in a copy of its alarm times)",
    ),
    Mark(
        40.0,
        "the level from which planning for deaths was reckoned",
        "National Research Council, AEGL vol. 8, ch. 2 (2010), AEGL-3 (from memory, confirm before citing)",
    ),
)

SMOKER_START_PCT = 5.0
"""About a packet a day: Committee on acute exposure guidelines, NAP record 12040 (seen in a copy). [%]"""

CHANGES: tuple[dict[str, float], ...] = (
    {"haldane": 245.0},
    {"capillary_mmhg": 110.0},
    {"capacity": 0.22},
    {"blood_ml": 3460.0},
    {"blood_ml": 6340.0},
)
"""Other published figures, changed one at a time for the spread: affinity, capillary oxygen, the blood's capacity, and the blood
of a woman of 1.60 m and 55 kg and of a man of 1.90 m and 100 kg (formulas of height and weight, seen in a code copy)."""

NOT_MODELLED = (
    "Children, the unborn and people with a weak heart, weak lungs or little blood take it up faster or bear less of it, and "
    "are not in this estimate."
)

NO_ADVICE = (
    "This is an estimate by an equation, no blood test and no medical advice: whoever has a headache, feels sick or dizzy "
    "after such a night should get into fresh air and call for medical help."
)

NO_PROMISE = "To stay below a mark is no promise: they were set for groups of people, not for one person."

WARNING_FROM_PCT, DANGER_FROM_PCT = 2.5, 10.0


@dataclass(frozen=True)
class Course:
    """One activity: the usual person's course and the lowest and highest over all parameter sets, at every knot. [%]

    `lower_lanes` and `upper_lanes` hold the courses of all sets, one in each column.
    """

    name: str
    middle: Floats
    lower_lanes: Floats
    upper_lanes: Floats

    @property
    def peak(self) -> Bounded:
        """The highest of the night, with the spread. [%]"""
        return Bounded(
            float(self.lower_lanes.max(axis=0).min()), float(self.middle.max()), float(self.upper_lanes.max(axis=0).max())
        )

    def moment(self, breathed: Breathed) -> float:
        """Give when the usual person's course was highest. [min]"""
        return float(breathed.knots[int(np.argmax(self.middle))])


def describe_carboxyhaemoglobin(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say how much carboxyhaemoglobin an adult would have had who breathed this air; nothing where no CO was measured."""
    breathed = find_breathed(studies)
    if breathed is None:
        return Topic()
    site = find_site(trial)
    if site is not None and site.pressure_hpa < LEAST_PRESSURE_HPA:
        return Topic((_too_high(site),))
    resting, light, smoker = follow(breathed, SEA_LEVEL_HPA if site is None else site.pressure_hpa)
    times = {course.name: [_time_above(course, breathed, mark.level_pct) for mark in MARKS] for course in (resting, light)}
    findings = [_describe_peak(studies, breathed, (resting, light, smoker), site)]
    findings += _describe_marks(studies, (resting, light), times, breathed)
    return Topic(tuple(findings), _gather_figures(breathed, (resting, light), smoker, times, site))


def follow(breathed: Breathed, pressure_hpa: float) -> tuple[Course, Course, Floats]:
    """Give the courses of a resting and a lightly active adult, and that of a resting smoker. [%]"""
    sets = [_vary(RESTING, SLOW), _vary(LIGHT)]
    lanes: list[tuple[Person, Floats, Floats]] = []
    fresh = np.full(len(breathed.middle), OUTDOOR_OXYGEN)
    for persons in sets:
        lanes.append((persons[0], breathed.middle, breathed.oxygen))
        lanes += [(person, breathed.lower, fresh) for person in persons]
        lanes += [(person, breathed.upper, breathed.oxygen_least) for person in persons]
    lanes.append((replace(RESTING, start_pct=SMOKER_START_PCT), breathed.middle, breathed.oxygen))
    crowd = Crowd([person for person, _, _ in lanes], pressure_hpa / HPA_PER_MMHG)
    all_courses = crowd.course(
        breathed.length_min, np.column_stack([ppm for _, ppm, _ in lanes]), np.column_stack([share for _, _, share in lanes])
    )
    courses, first = [], 0
    for persons in sets:
        middle, rest = first, first + 1
        low, high = slice(rest, rest + len(persons)), slice(rest + len(persons), rest + 2 * len(persons))
        courses.append(Course(persons[0].words, all_courses[:, middle], all_courses[:, low], all_courses[:, high]))
        first = rest + 2 * len(persons)
    return courses[0], courses[1], all_courses[:, -1]


def _vary(person: Person, *others: Person) -> list[Person]:
    return [person, *others, *(replace(person, **change) for change in CHANGES)]  # type: ignore[arg-type]


def _time_above(course: Course, breathed: Breathed, level: float) -> Bounded:
    """Time above a level: the least and the most over all parameter sets. [min]"""
    length = breathed.length_min[:, None]
    whole = _minutes_above(course.middle[:, None], length, level)[0]
    least = _minutes_above(course.lower_lanes, length, level).min()
    most = _minutes_above(course.upper_lanes, length, level).max()
    if breathed.open_from is not None:
        before = breathed.knots[1:] <= breathed.open_from
        known_part = _minutes_above(course.upper_lanes, length, level, before[:, None]).max()
        most = max(float(most), float(known_part) + float(breathed.knots[-1]) - breathed.open_from)
    return Bounded(float(least), float(whole), float(most))


def _minutes_above(lanes: Floats, length: Floats, level: float, among: Bools | bool = True) -> Floats:
    a, b = lanes[:-1] - level, lanes[1:] - level
    high, low = np.maximum(a, b), np.minimum(a, b)
    share = np.divide(high, high - low, out=np.zeros_like(high), where=(low <= 0) & (high > 0))
    return np.asarray((np.where(low > 0, 1.0, share) * length * among).sum(axis=0))


def _write_pct(value: float) -> str:
    return f"{value:.1f} %"


def _write_spread(bounds: Bounded, breathed: Breathed) -> str:
    if breathed.open_from is not None:
        return f"{bounds.lower:.1f} % or more, with no known upper end"
    return f"{bounds.lower:.1f} to {bounds.upper:.1f} %"


def _describe_peak(
    studies: Sequence[Study], breathed: Breathed, courses: tuple[Course, Course, Floats], site: Site | None
) -> Finding:
    resting, light, smoker = courses
    peak, most = resting.peak, light.peak
    worst = max(most.middle, peak.middle)
    upper = np.inf if breathed.open_from is not None else max(peak.upper, most.upper)
    text = (
        f"{_course_words(studies, breathed, resting, light)} A smoker who began the night at about {SMOKER_START_PCT:g} % "
        f"would have been at {_write_pct(float(smoker.max()))} at most and {_write_pct(float(smoker[-1]))} at the end. "
        f"{NOT_MODELLED} It goes away only over hours of fresh air: by half in about four to five hours at rest. "
        f"{_site_words(site)} {_oxygen_words(studies)} {NO_ADVICE}"
    )
    return Finding(
        slug="cohb-peak",
        title=f"Carbon monoxide in the blood of a resting adult (estimate): up to {_write_pct(peak.middle)}"
        + (" or more" if breathed.open_from is not None else f", between {peak.lower:.1f} and {peak.upper:.1f} %"),
        text=text,
        weight=3 if worst >= DANGER_FROM_PCT else 13 if upper >= WARNING_FROM_PCT else 43,
        tone="danger" if worst >= DANGER_FROM_PCT else "warning" if upper >= WARNING_FROM_PCT else "note",
        key=_worst_key(studies),
        value=known(peak.middle),
        lower=known(peak.lower),
        upper=None if breathed.open_from is not None else known(peak.upper),
        unit="% COHb",
        evidence=_frames_near(studies, resting.moment(breathed)),
        sources=(CFK_SOURCE, PARAMETER_SOURCE, *((site.source,) if site else ())),
    )


def _course_words(studies: Sequence[Study], breathed: Breathed, resting: Course, light: Course) -> str:
    """What it is, how far it would have risen in both, and how wide the spread is and why."""
    timeline = studies[0].timeline
    first, last = (write_moment(timeline, float(breathed.knots[end])) for end in (0, -1))
    if resting.peak.middle <= RESTING.start_pct + 1e-9:
        course = f"would not have risen above the {RESTING.start_pct:g} % or so that the body itself makes"
    else:
        course = f"would have reached {_write_pct(resting.peak.middle)} at {_at(timeline, resting.moment(breathed))}"
    spread = "published figures for the body, over gaps and over the meters' stated errors"
    if not any(one.facts.accuracy is not None for one in find_monoxide(studies)):
        spread = "published figures for the body and over gaps (no meter's error is stated)"
    return (
        f"Carbon monoxide takes oxygen's place in the blood. In a resting adult who had breathed this air from {first} to "
        f"{last}, that share (carboxyhaemoglobin) {course}: {_write_spread(resting.peak, breathed)} over {spread}. In a "
        f"lightly active one it would have been {_write_pct(light.peak.middle)} at {_at(timeline, light.moment(breathed))} "
        f"({_write_spread(light.peak, breathed)})."
    )


def _at(timeline: Timeline, moment: float) -> str:
    words = write_moment(timeline, moment)
    return words if not words.endswith("after the start") else f"a moment {words}"


def _frames_near(studies: Sequence[Study], moment: float) -> tuple[str, ...]:
    """The photo nearest to a moment in which carbon monoxide was read."""
    timeline = studies[0].timeline
    read = np.logical_or.reduce([one.samples.settled | one.samples.over for one in find_monoxide(studies)])
    rows = np.flatnonzero(read & np.isfinite(timeline.elapsed_min))
    return pick_frames(timeline, [int(rows[np.argmin(np.abs(timeline.elapsed_min[rows] - moment))])]) if rows.size else ()


def _worst_key(studies: Sequence[Study]) -> str:
    sources = find_monoxide(studies)
    return max(sources, key=lambda one: float(np.max(np.where(one.samples.settled, one.samples.values, -np.inf)))).facts.key


def _site_words(site: Site | None) -> str:
    if site is None:
        return (
            "Neither the altitude nor the air pressure of the place is stated; this is reckoned as at sea level. With one of "
            "them stated it is reckoned for the place."
        )
    return f"Reckoned with {site.words}."


def _oxygen_words(studies: Sequence[Study]) -> str:
    if of_kind(studies, "o2_pct"):
        return "The measured oxygen is in it: where oxygen is short, carbon monoxide takes more places."
    return "Oxygen was not measured and is taken as in fresh air; with less of it the share would be higher."


def _describe_marks(
    studies: Sequence[Study], courses: tuple[Course, Course], times: dict[str, list[Bounded]], breathed: Breathed
) -> list[Finding]:
    """One finding on the time above the published marks that any of the courses may have passed."""
    reached = [place for place in range(len(MARKS)) if any(times[one.name][place].upper > 0 for one in courses)]
    if not reached:
        return []
    span = float(breathed.knots[-1] - breathed.knots[0])
    parts = []
    for place in reached:
        told = [f"{_write_time(times[one.name][place])} for the {one.name}" for one in courses]
        parts.append(f"Above {MARKS[place].level_pct:g} %, {MARKS[place].meaning}: {write_list(told)}.")
    first = times[courses[0].name][reached[0]]
    sure = first.middle > 0 or times[courses[1].name][reached[0]].middle > 0
    return [
        Finding(
            slug="cohb-marks",
            title=f"Estimated carboxyhaemoglobin above {MARKS[reached[0]].level_pct:g} %, resting adult: {_write_time(first)}",
            text=f"Out of {write_minutes(span)}, by the same estimate. {' '.join(parts)} {NO_PROMISE}",
            weight=14 if sure else 44,
            tone="warning" if sure else "note",
            key=_worst_key(studies),
            value=known(first.middle),
            lower=known(first.lower),
            upper=known(first.upper),
            unit="min",
            sources=(CFK_SOURCE, *(MARKS[place].source for place in reached)),
        )
    ]


def _write_time(time: Bounded) -> str:
    if time.upper <= 0:
        return "at no time"
    least, middle, most = (write_minutes(v) for v in (time.lower, time.middle, time.upper))
    if time.middle <= 0:
        return f"by the usual figures at no time, at most for {most}"
    return middle if least == most else f"{middle} ({least} to {most})"


def _too_high(site: Site) -> Finding:
    text = (
        f"With {site.words}, the place lies higher than about 4000 m, where the equation for carbon monoxide in the blood no "
        "longer holds. Nothing is estimated; the same carbon monoxide does more harm up there than lower down."
    )
    return Finding(
        "cohb-too-high",
        "Carbon monoxide in the blood cannot be estimated at this altitude",
        text,
        15,
        "warning",
        sources=(CFK_SOURCE,),
    )


def _gather_figures(
    breathed: Breathed, courses: tuple[Course, Course], smoker: Floats, times: dict[str, list[Bounded]], site: Site | None
) -> dict[str, object]:
    keep = [int(np.argmax(one.middle)) for one in courses]
    places = thin(len(breathed.knots), keep)
    open_from = np.inf if breathed.open_from is None else breathed.open_from
    is_open = breathed.knots[places] > open_from
    series: dict[str, object] = {
        "elapsed_min": breathed.knots[places].tolist(),
        "co_ppm": np.append(breathed.middle, breathed.middle[-1:])[places].tolist(),
    }
    persons: dict[str, object] = {}
    for name, course in zip(("resting", "lightly_active"), courses, strict=True):
        series[f"{name}_cohb_pct"] = course.middle[places].tolist()
        series[f"{name}_cohb_pct_lower"] = course.lower_lanes.min(axis=1)[places].tolist()
        series[f"{name}_cohb_pct_upper"] = np.where(is_open, np.nan, course.upper_lanes.max(axis=1)[places]).tolist()
        peak = course.peak
        persons[name] = {
            "peak_pct": {**peak.as_dict(), **({"upper": None} if breathed.open_from is not None else {})},
            "peak_elapsed_min": course.moment(breathed),
            "end_pct": float(course.middle[-1]),
            "minutes_above": [
                {"level_pct": mark.level_pct, **time.as_dict(), "source": mark.source}
                for mark, time in zip(MARKS, times[course.name], strict=True)
            ],
        }
    return {
        "is_estimate": True,
        "pressure_hpa": SEA_LEVEL_HPA if site is None else site.pressure_hpa,
        "pressure_is_assumed": site is None,
        "start_pct": RESTING.start_pct,
        **persons,
        "resting_smoker": {
            "start_pct": SMOKER_START_PCT,
            "peak_pct": float(smoker.max()),
            "end_pct": float(smoker[-1]),
        },
        "open_from_min": breathed.open_from,
        "series": series,
    }
