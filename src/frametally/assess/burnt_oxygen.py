"""The oxygen that went and the fuel to the carbon dioxide that burning must have made, metered or not."""

from __future__ import annotations

import math

from frametally.assess.burners import Burners
from frametally.assess.exposure import Bounded, known
from frametally.assess.implied import IMPLIED_SOURCE, ImpliedCO2, OxygenLoss, hold_against
from frametally.assess.limits import Limit, limits_for
from frametally.assess.signals import Signal, chart_series, interpolate, readings_per_point
from frametally.assess.study import nearest_frames
from frametally.assess.wording import write_list, write_moment
from frametally.model import Finding


def _hundreds(value: float) -> str:
    """A reckoned concentration, rounded to what it can bear."""
    step = 100 if value >= 1000 else 10
    return f"{round(value / step) * step:,.0f} ppm"


def tell_carbon_dioxide(
    implied: ImpliedCO2, burners: Burners, people: int | None, metered: Signal | None
) -> tuple[Finding, dict[str, object]]:
    loss = implied.loss
    place = loss.at_worst
    peak = Bounded(float(implied.least.max()), float(implied.middle[place]), float(implied.most.max()))
    moment = write_moment(loss.signal.timeline, float(loss.minutes[place]))
    limits = [] if metered is not None else list(limits_for("co2_ppm"))
    figures_for = {length: hold_against(implied, length) for length in {limit.averaging_min for limit in limits}}
    held = [(limit, figures_for[limit.averaging_min]) for limit in limits]
    results = [(limit, bounds, _verdict(bounds, limit)) for limit, bounds in held]
    over = [one for one in results if one[2] == "exceeds"]
    unsettled = [one for one in results if one[2] == "undecided"]
    span = f"{_hundreds(peak.lower).removesuffix(' ppm')} to {_hundreds(peak.upper)}"
    head = f"about {_hundreds(peak.middle)} ({span})" if math.isfinite(peak.middle) else f"{span}"
    title = "Carbon dioxide " + ("reckoned from the oxygen" if metered is not None else "that nobody metered") + f": {head}"
    text = _explain_loss(loss, place) + (
        f" For {_what_burnt(burners, people)} this means {head} of carbon dioxide at {moment}"
        f"{'' if metered is None else ' ' + _compare(metered, implied, place)}."
    )
    text += _write_results(over, unsettled, len(results)) + burners.flue_words + _write_basis(implied, burners, people)
    worst = (over or unsettled or [None])[0]  # type: ignore[list-item]
    verdict = "exceeds" if over else "undecided" if unsettled else "does not exceed" if results else ""
    finding = Finding(
        slug="implied-carbon-dioxide",
        title=title,
        text=text,
        weight={"exceeds": 6, "undecided": 26}.get(verdict, 46),
        tone="warning" if over or any(bounds.middle > limit.value for limit, bounds, _ in unsettled) else "note",
        key=loss.signal.facts.key,
        value=known(peak.middle),
        lower=known(peak.lower),
        upper=known(peak.upper),
        unit="ppm",
        limit=worst[0].id if worst else "",
        verdict=verdict,
        evidence=nearest_frames(loss.signal.study, float(loss.minutes[place])),
        sources=tuple(
            dict.fromkeys([IMPLIED_SOURCE, *(fuel.source for _, fuel in burners.known), *([worst[0].citation] if worst else [])])
        ),
    )
    figures: dict[str, object] = {
        "highest_ppm": peak.as_dict(),
        "oxygen_missing_pct": Bounded(*(float(v[place]) for v in (loss.least, loss.middle, loss.most))).as_dict(),
        "fresh_air_reading_pct": loss.fresh,
        "outdoor_co2_ppm": implied.outdoor_ppm,
        "against_limits": [
            {"limit": limit.id, "level": limit.value, "verdict": verdict_of, **bounds.as_dict()}
            for limit, bounds, verdict_of in results
        ],
        "readings_per_point": readings_per_point(len(loss.minutes)),
        "series": chart_series(loss.minutes, lower_ppm=implied.least, middle_ppm=implied.middle, upper_ppm=implied.most),
    }
    return finding, figures


def _verdict(bounds: Bounded, limit: Limit) -> str:
    if bounds.lower > limit.value:
        return "exceeds"
    return "does not exceed" if bounds.upper <= limit.value else "undecided"


def _explain_loss(loss: OxygenLoss, place: int) -> str:
    facts = loss.signal.facts
    reading = float(interpolate(loss.signal, loss.minutes[place : place + 1])[0])
    fresh = (
        f"the {loss.fresh:.1f} % it showed in the freshest air of the night"
        if loss.is_fresh_shown
        else "the 20.9 % that fresh air should show (this night it never showed that, so its own zero is not known)"
    )
    text = f"{facts.source_name[:1].upper() + facts.source_name[1:]} fell to {reading:.1f} % of oxygen, from {fresh}."
    if loss.climate is not None:
        text += " Water vapour in the air is taken out of this;"
    else:
        text += " Humidity was not measured beside it, so the least value allows for oxygen that water vapour pushed aside;"
    text += f" {loss.middle[place]:.2f} points of oxygen were used up ({loss.least[place]:.2f} to {loss.most[place]:.2f} with "
    return text + (
        "the maker's stated error)." if loss.is_tolerance_stated else "one step of the display; the maker's error is not stated)."
    )


def _what_burnt(burners: Burners, people: int | None) -> str:
    if not burners.known or burners.unknown or burners.is_silent:
        return "any fuel with carbon in it (the fuel is not known)"
    names = write_list(list(dict.fromkeys(fuel.name for _, fuel in burners.known)))
    return names if people == 0 else f"{names}, or people breathing,"


def _compare(metered: Signal, implied: ImpliedCO2, place: int) -> str:
    shown = float(interpolate(metered, implied.loss.minutes[place : place + 1])[0])
    if not math.isfinite(shown):
        return "(the carbon dioxide meter showed nothing settled then)"
    inside = implied.least[place] <= shown <= implied.most[place]
    return (
        f"({metered.facts.source_name} showed {shown:,.0f} ppm then, which {'fits' if inside else 'does not fit'}; what "
        f"was measured counts)"
    )


def _write_results(over: list[tuple[Limit, Bounded, str]], unsettled: list[tuple[Limit, Bounded, str]], count: int) -> str:
    def names(group: list[tuple[Limit, Bounded, str]]) -> str:
        values = list(dict.fromkeys(one.value for one, _, _ in group))
        labels = [", ".join(one.label for one, _, _ in group if one.value == value) for value in values]
        return write_list([f"{value:,g} ppm ({label})" for value, label in zip(values, labels, strict=True)])

    text = ""
    if over:
        text += f" Even the least of it is more than these limits for carbon dioxide: {names(over)}."
    if unsettled:
        text += f" It may or may not be more than: {names(unsettled)}."
    if count and len(over) + len(unsettled) < count:
        text += f" {count - len(over) - len(unsettled)} further limits for carbon dioxide lie above it."
    return text


def _write_basis(implied: ImpliedCO2, burners: Burners, people: int | None) -> str:
    text = (
        ""
        if implied.is_outdoor_stated
        else f" Outdoor air was taken to hold {implied.outdoor_ppm:g} ppm; the trial does not state it."
    )
    if people is None:
        text += (
            " Whether people slept there is not stated; their breath gives more carbon dioxide for the same oxygen than "
            "most gases do."
        )
    if not burners.known:
        text += " With the fuel stated, the range would be narrower."
    return text + " This is reckoned, not measured: only a carbon dioxide meter can show it."
