"""Days, times of day and lengths of time in words, the same whatever the process's locale."""

from datetime import datetime, timedelta

from api.feeds.phrases import Phrases
from api.feeds.vtimezone import is_repeated, zone_of


def day_text(moment: datetime, zone: str, words: Phrases) -> str:
    """Return the day on which ``moment`` falls in ``zone``: "Mon 22 Mar 2027"."""
    # Not strftime: its names of days and months follow the locale of the process.
    local = moment.astimezone(zone_of(zone))
    weekday, month = words.weekdays[local.weekday()], words.months[local.month - 1]
    return f"{weekday} {local.day} {month} {local.year}"


def clock_text(moment: datetime, zone: str) -> str:
    """Return the wall time in ``zone``; in an hour that comes twice, with its abbreviation."""
    local = moment.astimezone(zone_of(zone))
    return f"{local:%H:%M} {local.tzname()}" if is_repeated(local) else f"{local:%H:%M}"


def duration_text(length: timedelta) -> str:
    """Return a length of time to the minute: "1 h 30 min"."""
    hours, minutes = divmod(round(length / timedelta(minutes=1)), 60)
    return " ".join([f"{hours} h"] * (hours > 0) + [f"{minutes} min"] * (minutes > 0 or not hours))
