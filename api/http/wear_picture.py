"""The wear of a part type as a picture: survival, hazard and cost by age."""

from fastapi import Response

from api.http.charts import ALARM, CURVE, QUIET, STEPS, Plot, picture, words
from scheduler.wear.part_wear import PartWear
from scheduler.wear.replacement import cost_rate

_POINTS = 60
_WIDTH, _HEIGHT, _TOP = 440.0, 280.0, 30.0


def telling_ages(wear: PartWear) -> list[float]:
    """Return the ages worth showing: to where nearly all have failed, the optimum included."""
    last = max(wear.fit.law.quantile(0.95), 1.2 * (wear.advice.age or 0.0))
    return [last * n / _POINTS for n in range(1, _POINTS + 1)]


def draw_wear(wear: PartWear, name: str) -> Response:
    """Return the picture; ``name`` is what people call the part."""
    ages = telling_ages(wear)
    return picture(
        [
            words(14, 20, f"{name}, {wear.duty} duty", size=14),
            _survival(wear, ages).svg(),
            _hazard(wear, ages).svg(),
            _cost(wear, ages).svg(),
            words(14, _HEIGHT + _TOP + 20, wear.because, size=12),
        ],
        width=3 * _WIDTH,
        height=_HEIGHT + _TOP + 34,
        label=f"{name}: {wear.because}",
    )


def _plot(place: int, title: str, y_label: str, ages: list[float], y_max: float) -> Plot:
    return Plot(
        title=title,
        x_label="days",
        y_label=y_label,
        x_max=ages[-1],
        y_max=y_max,
        left=place * _WIDTH,
        top=_TOP,
        width=_WIDTH,
        height=_HEIGHT,
    )


def _survival(wear: PartWear, ages: list[float]) -> Plot:
    law, curve = wear.fit.law, wear.curve
    plot = _plot(0, "Share still good", "share", ages, 1.0)
    marks = sorted({(age, curve.survival_at(age)) for age in curve.censored_ages})
    plot.ticks(marks, QUIET, "cut short: renewed before it failed, or still running")
    plot.line([(0.0, 1.0), *((age, law.survival(age)) for age in ages)], CURVE)
    plot.steps([(0.0, 1.0), *((step.age, step.survival) for step in curve.steps)], STEPS)
    plot.steps([(step.age, step.low) for step in curve.steps], STEPS, dashed=True)
    plot.steps([(step.age, step.high) for step in curve.steps], STEPS, dashed=True)
    return plot


def _hazard(wear: PartWear, ages: list[float]) -> Plot:
    hazards = [(age, 1000 * wear.fit.law.hazard(age)) for age in ages]
    most = max(value for _, value in hazards)
    plot = _plot(1, "Failures a day of those still good", "per thousand", ages, 1.1 * most)
    plot.line(hazards, CURVE)
    return plot


def _cost(wear: PartWear, ages: list[float]) -> Plot:
    costs = [(age, cost_rate(wear.fit.law, wear.costs, age) / 100) for age in ages]
    without = wear.advice.cost_rate_run_until_failure / 100
    least = min(without, *(value for _, value in costs))
    plot = _plot(2, "Cost a day when renewed at that age", "money a day", ages, 2.5 * least)
    plot.line(costs, CURVE)
    plot.line([(0.0, without), (ages[-1], without)], QUIET, dashed=True)
    if wear.advice.age is not None:
        plot.upright(wear.advice.age, f"renew at {wear.advice.age:.0f} days", ALARM)
    return plot
