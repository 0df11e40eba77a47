"""When the cafés of each kind open, welcome a technician and can spare a machine.

All of it is invented after what is usual in the trade (common practice, no source).
"""

from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum
from random import Random

from scheduler.weekly_hours import DaySpan, WeeklyHours


class Kind(StrEnum):
    """What sort of place a site is."""

    BAKERY_CAFE = "bakery café"
    COFFEE_HOUSE = "coffee house"
    BAR = "bar"
    RESTAURANT = "restaurant"
    OFFICE = "office"
    HOTEL = "hotel"
    BEACH_CAFE = "beach café"
    WINERY = "winery"


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """Three sets of weekly hours, as texts of ``scheduler.weekly_hours``."""

    opening: str
    access: str
    quiet: str


_WEEKS: dict[Kind, tuple[Week, ...]] = {
    Kind.BAKERY_CAFE: (
        Week(  # baking goes on on the day the shop is closed
            opening="Tu-Sa 06:30-19:00; Su 06:30-13:00",
            access="Mo 08:00-15:00; Tu-Sa 09:30-11:30,14:00-17:30",
            quiet="Mo 08:30-12:30; Tu-Sa 13:30-16:30",
        ),
        Week(
            opening="Mo-Tu,Th-Sa 06:30-19:30; Su 06:30-13:00",
            access="We 08:00-15:00; Mo-Tu,Th-Sa 09:30-11:30,14:00-17:30",
            quiet="We 08:30-12:30; Mo-Tu,Th-Sa 13:30-16:30",
        ),
    ),
    Kind.COFFEE_HOUSE: (
        Week(
            opening="Mo-Sa 08:00-18:30",
            access="Mo-Sa 09:30-11:30,14:30-17:30",
            quiet="Mo,We 13:00-17:00; Tu,Th 14:00-17:00",
        ),
        Week(  # has staff in the shop well after closing
            opening="Mo-Sa 07:30-17:00",
            access="Mo-Fr 09:30-11:30,14:00-18:30",
            quiet="Tu 13:30-17:30; Mo,We-Fr 14:00-17:00",
        ),
    ),
    Kind.BAR: (
        Week(
            opening="Mo-Sa 17:00-02:00",
            access="Mo-Sa 10:30-17:00",
            quiet="Mo-Sa 10:30-13:30,14:00-16:30",
        ),
        Week(
            opening="Tu-Su 16:00-01:00",
            access="Tu-Sa 11:00-16:00",
            quiet="Tu-Sa 10:00-13:00,13:30-15:30",
        ),
    ),
    Kind.RESTAURANT: (
        Week(
            opening="Tu-Sa 12:00-14:30,19:00-22:30",
            access="Tu-Sa 09:00-11:30,15:00-18:30",
            quiet="Tu-Sa 08:30-11:30,15:00-18:00",
        ),
        Week(
            opening="Th-Mo 12:00-15:00,19:00-22:00",
            access="Th-Mo 09:00-11:30,15:30-18:00",
            quiet="Th-Mo 08:30-11:30,15:00-18:00",
        ),
    ),
    Kind.OFFICE: (
        Week(
            opening="Mo-Fr 08:00-18:30",
            access="Mo-Fr 09:30-11:30,14:00-17:00",
            quiet="Mo-Fr 08:30-11:15,14:00-17:00",
        ),
        Week(
            opening="Mo-Fr 07:30-18:00",
            access="Mo-Fr 09:30-11:30,14:00-17:00",
            quiet="Mo-Fr 09:00-11:45,14:00-16:45",
        ),
    ),
    Kind.HOTEL: (
        Week(
            opening="Mo-Su 06:30-22:30",
            access="Mo-Sa 10:30-18:00",
            quiet="Mo-Sa 11:00-16:30",
        ),
    ),
    Kind.BEACH_CAFE: (
        Week(
            opening="Mo-Su 09:30-21:00",
            access="Mo-Sa 08:00-11:30,15:00-18:00",
            quiet="Mo-Sa 08:30-11:30; Mo-Th 14:00-17:00",
        ),
        Week(
            opening="Mo-Su 10:00-23:00",
            access="Mo-Fr 08:30-12:00,15:00-18:00",
            quiet="Mo-Fr 09:00-12:00",
        ),
    ),
    Kind.WINERY: (
        Week(
            opening="Mo-Sa 10:00-18:00",
            access="Mo-Fr 09:00-12:00,14:00-17:30",
            quiet="Mo-Fr 08:30-11:30; Mo-We 14:00-17:00",
        ),
    ),
}


def week_of(kind: Kind, rng: Random) -> Week:
    """Return the hours of one site: those usual for its kind, up to half an hour off."""
    usual = rng.choice(_WEEKS[kind])
    minutes = rng.choice((-30, -15, 0, 0, 15, 30))
    return Week(
        opening=str(_shifted(WeeklyHours.parse(usual.opening), minutes)),
        access=str(_shifted(WeeklyHours.parse(usual.access), minutes)),
        quiet=str(_shifted(WeeklyHours.parse(usual.quiet), minutes)),
    )


def closures_of(kind: Kind, rng: Random) -> tuple[tuple[date, date], ...]:
    """Return the first and last days of the closed seasons, from autumn 2024 to autumn 2027."""
    later = rng.choice((0, 9, 19))
    match kind:
        case Kind.BEACH_CAFE:
            return tuple(
                (date(year, 11, 1 + rng.randint(0, 9)), date(year + 1, 3, 12 + later))
                for year in (2024, 2025, 2026)
            )
        case Kind.RESTAURANT if rng.random() < 0.5:
            return tuple(
                (date(year, 8, 1), date(year, 8, 14 + later // 2)) for year in (2025, 2026, 2027)
            )
        case Kind.HOTEL if rng.random() < 0.3:
            return tuple(
                (date(year, 1, 4), date(year, 1, 20 + later // 2)) for year in (2025, 2026, 2027)
            )
        case Kind.OFFICE:
            return tuple((date(year, 12, 24), date(year + 1, 1, 1)) for year in (2024, 2025, 2026))
        case _:
            return ()


def _shifted(hours: WeeklyHours, minutes: int) -> WeeklyHours:
    return WeeklyHours(
        by_weekday=tuple(
            tuple(
                DaySpan(opens=_later(span.opens, minutes), closes=_later(span.closes, minutes))
                for span in spans
            )
            for spans in hours.by_weekday
        )
    )


def _later(moment: time, minutes: int) -> time:
    hour, minute = divmod((moment.hour * 60 + moment.minute + minutes) % (24 * 60), 60)
    return time(hour, minute)
