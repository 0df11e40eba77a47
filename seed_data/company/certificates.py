"""The certificates of the pressure vessels: the last examination of each on record.

The simulated history says who examined what and when; here it gets its paper.
"""

from collections.abc import Sequence

from scheduler.dates import add_months
from seed_data.company.records import Examination, Technician, Work

RULE = "pressure_vessel_examination"
_BODY = "Contrôle Vapeur de Guyenne"  # invented, like the certificates
_MONTHS = 12
_FINDINGS = (
    "Boiler, valve and fittings in order.",
    "Light scale at the gauge connection, cleared.",
    "In order; safety valve lifted at 1.85 bar.",
)


def examinations(work: Sequence[Work], people: Sequence[Technician]) -> tuple[Examination, ...]:
    """Return the certificates that hold, in order of the day of the examination."""
    name = {person.id: person.name for person in people}
    last = {each.machine_id: each for each in sorted(work, key=lambda each: each.done_on)
            if each.rule == RULE and each.technician_id is not None}  # fmt: skip
    in_order = sorted(last.values(), key=lambda each: (each.done_on, each.machine_id))
    return tuple(
        Examination(
            id=f"ex-{number:03}",
            machine_id=each.machine_id,
            rule=RULE,
            fitted_part_id=None,
            certificate=f"CVG-{each.done_on.year}-{number:03}",
            competent_person=name[each.technician_id or ""],
            body=_BODY,
            examined_on=each.done_on,
            result="passed",
            valid_until=add_months(each.done_on, _MONTHS),
            findings=_FINDINGS[number % len(_FINDINGS)],
        )
        for number, each in enumerate(in_order, start=1)
    )
