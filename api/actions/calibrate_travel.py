"""Every night: what the drives of the last half year say about the estimate of travel."""

from datetime import datetime, timedelta

from api.storage.company_travel import usual_travel
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.stays import drivers_by_id, forget_stays_before, stays_since
from api.storage.tables import TravelCalibrationRow
from scheduler.calibration import Calibration, OddDrive, calibrate
from scheduler.drives import Driven, drives_between

DAYS_LOOKED_AT = 180
"""Roads change, and so do technicians; half a year has some of both winter and summer time."""

_STAYS_KEPT = timedelta(days=DAYS_LOOKED_AT + 20)
_MOST_ODD = 20


def calibrate_travel(database: Database, *, now: datetime) -> TravelCalibrationRow | None:
    """Fit the estimate of travel to recorded drives, in use from then on.

    Stays are forgotten once they are too old for it. Returns None when there is no drive to learn
    from: what was learnt before stays in use then.
    """
    since = now - timedelta(days=DAYS_LOOKED_AT)
    with database.read() as session:
        stays, drivers = stays_since(session, since), drivers_by_id(session)
        usual = usual_travel(session)
    driven = drives_between(stays, drivers)
    found = calibrate(driven.drives, usual)
    row = None if found is None else _as_row(found, driven, since=since, now=now)
    with database.write() as session:
        forget_stays_before(session, now - _STAYS_KEPT)
        if row is not None:
            session.add(row)
    return row


def _as_row(
    found: Calibration, driven: Driven, *, since: datetime, now: datetime
) -> TravelCalibrationRow:
    worst = sorted(found.odd, key=_oddity, reverse=True)[:_MOST_ODD]
    return TravelCalibrationRow(
        id=new_id("tc"),
        made_at=now,
        since=since,
        drives=found.drives,
        by_ferry=found.by_ferry,
        passed_over={str(why): count for why, count in sorted(driven.passed_over.items())},
        odd=[
            {
                "appointment": each.drive.appointment,
                "technician": each.drive.technician,
                "arrived_at": each.drive.arrived_at.isoformat(),
                "minutes": round(each.drive.minutes, 1),
                "expected_minutes": each.expected_minutes,
            }
            for each in worst
        ],
        odd_drives=len(found.odd),
        stop_minutes=found.stop_minutes,
        bands=[
            {
                "from_km": band.from_km,
                "km_per_hour": band.km_per_hour,
                "factor": band.factor,
                "drives": band.drives,
            }
            for band in found.bands
        ],
        usual_error_minutes=found.usual_error_minutes,
        error_minutes=found.error_minutes,
    )


def _oddity(odd: OddDrive) -> float:
    longer, shorter = sorted((odd.drive.minutes + 1, odd.expected_minutes + 1), reverse=True)
    return longer / shorter
