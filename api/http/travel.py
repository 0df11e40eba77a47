"""Travel: what the times between places rest on, what drives have taught, how the roads are."""

from datetime import datetime
from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.actions.calibrate_travel import DAYS_LOOKED_AT
from api.actions.keep_roads import REFRESH_AFTER
from api.http.context import Now, OfficeLook
from api.http.problems import documented
from api.storage.company_travel import latest_calibration, usual_travel
from api.storage.road_ways import fetched_at, road_places, road_service
from api.storage.tables import TravelCalibrationRow
from scheduler.road_travel import OSM_ATTRIBUTION, Source

router = APIRouter(prefix="/v1/travel", tags=["travel"])


class Band(BaseModel):
    """A band of distance by road, from so many kilometres on."""

    from_km: float
    km_per_hour: float
    factor: float = Field(description="1.18: a kilometre takes 18 % longer than is usual.")
    drives: int = Field(description="Recorded drives that went that far.")


class OddDrive(BaseModel):
    """A drive that took far more or less than its like; it is not counted."""

    appointment: str = Field(description="The appointment driven to.")
    technician: str
    arrived_at: datetime
    minutes: float
    expected_minutes: float


class Estimate(BaseModel):
    """How minutes are estimated from places on the map, and what recorded drives taught."""

    sentence: str
    circuity: float = Field(description="Road metres per straight metre.")
    stop_minutes: float = Field(description="For parking and walking, with every drive.")
    bands: list[Band]
    calibrated_at: datetime | None = Field(description="None while nothing has been learnt.")
    drives: int = Field(description=f"Recorded drives of the {DAYS_LOOKED_AT} days before that.")
    by_ferry: int
    passed_over: dict[str, int] = Field(
        description="Gaps between visits that tell nothing of a drive, by reason."
    )
    odd_drives: int
    odd: list[OddDrive] = Field(description="The worst of them.")
    usual_error_minutes: float | None = Field(
        description="Half of the drives were off by no more, estimated as is usual."
    )
    error_minutes: float | None = Field(description="The same, as learnt.")


class Roads(BaseModel):
    """The road service, and what is known of it."""

    address: str
    answered_at: datetime | None
    failing_since: datetime | None
    failure: str | None
    places: int = Field(description="Places it was asked about.")
    off_road: int = Field(description="Of these, places without a road near.")
    missing: int = Field(description="Places on the road whose ways are still to be asked.")
    old: int = Field(description="Places whose ways are old and about to be asked anew.")
    attribution: str


class Travel(BaseModel):
    """What travel times rest on."""

    source: Source = Field(description="Where times come from first; the estimate stands behind.")
    estimate: Estimate
    roads: Roads | None = Field(description="None without a road service.")


@router.get("", responses=documented())
def get_travel(look: OfficeLook, now: Now) -> Travel:
    """Tell what travel times rest on: the estimate, recorded drives, and the road service."""
    roads = _roads(look, now)
    known = roads is not None and roads.places > roads.off_road + roads.missing
    return Travel(
        source=Source.ROADS if known else Source.ESTIMATE, estimate=_estimate(look), roads=roads
    )


def _estimate(look: OfficeLook) -> Estimate:
    usual, learnt = usual_travel(look.session), latest_calibration(look.session)
    if learnt is None:
        return Estimate(
            sentence="No drive has been recorded yet: travel is estimated as is usual.",
            circuity=usual.circuity,
            stop_minutes=usual.stop_minutes,
            bands=[
                Band(from_km=band.from_km, km_per_hour=band.km_per_hour, factor=1.0, drives=0)
                for band in usual.speeds
            ],
            calibrated_at=None,
            drives=0,
            by_ferry=0,
            passed_over={},
            odd_drives=0,
            odd=[],
            usual_error_minutes=None,
            error_minutes=None,
        )
    return Estimate(
        sentence=_sentence(learnt),
        circuity=usual.circuity,
        stop_minutes=round(learnt.stop_minutes, 1),
        bands=[Band(**_rounded(band)) for band in learnt.bands],
        calibrated_at=learnt.made_at,
        drives=learnt.drives,
        by_ferry=learnt.by_ferry,
        passed_over=learnt.passed_over,
        odd_drives=learnt.odd_drives,
        odd=[OddDrive(**each) for each in learnt.odd],
        usual_error_minutes=round(learnt.usual_error_minutes, 1),
        error_minutes=round(learnt.error_minutes, 1),
    )


def _rounded(band: dict[str, Any]) -> dict[str, Any]:
    return {
        **band,
        "km_per_hour": round(band["km_per_hour"], 1),
        "factor": round(band["factor"], 2),
    }


def _sentence(learnt: TravelCalibrationRow) -> str:
    bands = "; ".join(
        f"from {band['from_km']:g} km factor {band['factor']:.2f} ({band['drives']} drives)"
        for band in learnt.bands
    )
    odd = f", {learnt.odd_drives} odd ones left out" if learnt.odd_drives else ""
    return (
        f"Drives of the last {DAYS_LOOKED_AT} days: {learnt.drives}{odd}; by road {bands}; "
        f"{learnt.stop_minutes:.1f} minutes to park. Half of them are met within "
        f"{learnt.error_minutes:.1f} minutes, {learnt.usual_error_minutes:.1f} as is usual."
    )


def _roads(look: OfficeLook, now: datetime) -> Roads | None:
    row = road_service(look.session)
    if row is None:
        return None
    places, asked = road_places(look.session), fetched_at(look.session)
    on_road = [place.number for place in places if place.on_road]
    return Roads(
        address=row.address,
        answered_at=row.answered_at,
        failing_since=row.failing_since,
        failure=row.failure,
        places=len(places),
        off_road=len(places) - len(on_road),
        missing=sum(1 for number in on_road if number not in asked),
        old=sum(1 for at in asked.values() if now - at > REFRESH_AFTER),
        attribution=OSM_ATTRIBUTION,
    )
