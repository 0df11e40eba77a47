"""The eight technicians, their hours and their absences around the demo day."""

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from seed_data.company.geography import spot_in, town_plan
from seed_data.company.names import mail_name, mobile
from seed_data.company.records import Absence, Technician
from seed_data.company.setting import Setting

_ALL_ROUND = ("espresso", "pressure", "electrical", "grinder", "water")
_TESTER = ("electrical_test",)
_GAS_FITTER = ("gas",)
_COMPETENT_PERSON = ("pressure_examination",)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Person:
    name: str
    home: str
    skills: tuple[str, ...]
    hours: str
    break_minutes: int = 45
    break_between: tuple[str, str] = ("11:15", "14:45")
    pace: float = 1.0


# Most spend a weekday in the workshop, which the hours on the road leave out.
_PEOPLE = (
    _Person(
        name="Maïté Larroudelle",
        home="Mérignac",
        skills=(*_ALL_ROUND, *_TESTER, *_GAS_FITTER),
        hours="Mo-We,Fr 08:00-17:15",
        pace=0.9,
    ),
    _Person(  # the early starter, for the bakeries
        name="Yanis Peyrelonguet",
        home="Libourne",
        skills=_ALL_ROUND,
        hours="Mo-Fr 06:30-14:30",
        break_minutes=30,
        break_between=("10:00", "13:30"),
    ),
    _Person(  # four long days
        name="Noémie Dupouyade",
        home="Gujan-Mestras",
        skills=(*_ALL_ROUND, *_TESTER, *_GAS_FITTER),
        hours="Mo-Tu,Th-Fr 07:30-17:45",
        break_minutes=60,
    ),
    _Person(
        name="Thierry Lescarrotte",
        home="Blaye",
        skills=(*_ALL_ROUND, *_TESTER),
        hours="Mo,We-Fr 08:00-17:30",
        pace=1.05,
    ),
    _Person(  # part time, still learning
        name="Samira Haddouchène",
        home="Lormont",
        skills=("espresso", "grinder", "water"),
        hours="Mo-We 08:30-15:30; Fr 08:30-14:30",
        break_minutes=30,
        pace=1.2,
    ),
    _Person(
        name="Bastien Cazemajoux",
        home="Langon",
        skills=("espresso", "pressure", "electrical", "water", *_TESTER, *_COMPETENT_PERSON),
        hours="Mo-Fr 07:30-16:00",
    ),
    _Person(
        name="Hugo Vignacourtois",
        home="Lesparre-Médoc",
        skills=_ALL_ROUND,
        hours="Mo-We 07:00-17:00; Th 07:00-15:00",
    ),
    _Person(  # late and on Saturdays, for the bars
        name="Inès Fourcadeau",
        home="Talence",
        skills=(*_ALL_ROUND, *_TESTER, *_COMPETENT_PERSON),
        hours="Tu-We,Fr-Sa 10:00-18:30",
        break_minutes=45,
        break_between=("12:00", "16:00"),
        pace=0.95,
    ),
)

# technician, first and last moment on the wall clock, reason
_ABSENCES = (
    ("te-6", "2027-01-11T00:00", "2027-03-06T00:00", "parental leave"),
    ("te-3", "2027-02-15T00:00", "2027-02-22T00:00", "holiday"),
    ("te-4", "2027-03-25T00:00", "2027-03-26T00:00", "training: scald protection"),
    ("te-5", "2027-03-25T00:00", "2027-03-26T00:00", "training: scald protection"),
    ("te-7", "2027-03-29T00:00", "2027-04-05T00:00", "holiday"),
    ("te-2", "2027-03-31T06:30", "2027-03-31T10:00", "medical appointment"),
    ("te-1", "2027-04-12T00:00", "2027-04-26T00:00", "holiday"),
)


def technicians(setting: Setting) -> tuple[Technician, ...]:
    """Return the technicians."""
    return tuple(
        _technician(number, person, setting) for number, person in enumerate(_PEOPLE, start=1)
    )


def _technician(number: int, person: _Person, setting: Setting) -> Technician:
    key = f"te-{number}"
    spot = spot_in(town_plan(person.home), setting.random("home", key))
    return Technician(
        id=key,
        name=person.name,
        phone=mobile(100 + number),
        email=f"{mail_name(person.name)}@clapetine.example",
        home_town=person.home,
        lat=spot.lat,
        lon=spot.lon,
        zone=setting.zone,
        skills=person.skills,
        working_hours=person.hours,
        holiday_country=setting.holiday_country,
        holiday_subdivision=None,
        break_minutes=person.break_minutes,
        break_earliest=person.break_between[0],
        break_latest=person.break_between[1],
        pace=person.pace,
        active=True,
    )


def absences(setting: Setting) -> tuple[Absence, ...]:
    """Return the absences: one that left a backlog, and those around the demo day."""
    zone = ZoneInfo(setting.zone)
    return tuple(
        Absence(
            id=f"ab-{number}",
            technician_id=technician,
            starts_at=datetime.fromisoformat(start).replace(tzinfo=zone),
            ends_at=datetime.fromisoformat(end).replace(tzinfo=zone),
            reason=reason,
        )
        for number, (technician, start, end, reason) in enumerate(_ABSENCES, start=1)
    )
