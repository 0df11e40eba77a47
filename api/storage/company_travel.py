"""How the company travels: estimated, taught by its own drives, or by a road network's word."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlmodel import Session, col, select

from api.storage.road_ways import MOST_OFF_ROAD_METRES, road_service, ways_among
from api.storage.snapshots import company
from api.storage.tables import RoadServiceRow, SiteRow, TechnicianRow, TravelCalibrationRow
from scheduler.places import Coordinates
from scheduler.road_travel import OSM_ATTRIBUTION, RoadTravel, Source
from scheduler.travel import RememberedTravel, SpeedBand, StraightLineTravel, Travel
from scheduler.waters import barriers_from_documents

_MOST_NAMED = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class TravelTold:
    """What the times of a plan rest on, for whoever relies on them.

    Attributes
    ----------
    drives
        Recorded drives the estimate was taught by, 0 when it is as usual.
    pairs, estimated
        Ordered pairs of places, and how many of them are estimated.
    oldest
        When the oldest time by road was asked.
    attribution
        To be shown with times by road, empty without any.
    """

    source: Source
    drives: int
    pairs: int
    estimated: int
    oldest: datetime | None
    attribution: str
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as it is kept with a plan."""
        return {
            "source": str(self.source),
            "drives": self.drives,
            "pairs": self.pairs,
            "estimated": self.estimated,
            "oldest": None if self.oldest is None else self.oldest.isoformat(),
            "attribution": self.attribution,
            "warnings": list(self.warnings),
        }


def usual_travel(session: Session) -> StraightLineTravel:
    """Return what is estimated without any experience: straight lines round the waters."""
    return StraightLineTravel(barriers=barriers_from_documents(company(session).barriers))


def latest_calibration(session: Session) -> TravelCalibrationRow | None:
    """Return what recorded drives said when they were last asked."""
    return session.exec(
        select(TravelCalibrationRow).order_by(col(TravelCalibrationRow.made_at).desc()).limit(1)
    ).first()


def estimated_travel(session: Session) -> StraightLineTravel:
    """Return the estimate as the company's own drives have taught it."""
    usual, learnt = usual_travel(session), latest_calibration(session)
    if learnt is None:
        return usual
    return replace(
        usual,
        stop_minutes=learnt.stop_minutes,
        speeds=tuple(
            SpeedBand(from_km=band["from_km"], km_per_hour=band["km_per_hour"])
            for band in learnt.bands
        ),
    )


def company_travel(session: Session, places: Iterable[Coordinates]) -> Travel:
    """Return the way of travelling between some places: by road where a service told it.

    Other places are estimated; nobody is asked.
    """
    estimate = estimated_travel(session)
    if road_service(session) is None:
        return _remembering(estimate)
    return RoadTravel(ways=ways_among(session, places), estimate=estimate)


@lru_cache(maxsize=4)
def _remembering(travel: StraightLineTravel) -> RememberedTravel:
    """Return a way of travelling that remembers, from one request to the next, what it found."""
    return RememberedTravel(travel)


def tell_travel(session: Session, travel: Travel, places: Sequence[Coordinates]) -> TravelTold:
    """Tell what the times between some places rest on, with a warning for each thing amiss."""
    learnt, service = latest_calibration(session), road_service(session)
    told = TravelTold(
        source=Source.ESTIMATE,
        drives=0 if learnt is None else learnt.drives,
        pairs=len(set(places)) * (len(set(places)) - 1),
        estimated=len(set(places)) * (len(set(places)) - 1),
        oldest=None,
        attribution="",
        warnings=(),
    )
    if not isinstance(travel, RoadTravel) or service is None:
        return told
    reliance = travel.reliance(places)
    warnings = [] if service.failing_since is None else [_silence(service)]
    if reliance.estimated == reliance.pairs:
        warnings.append("No time of the road service is known here yet: all travel is estimated.")
    elif reliance.estimated:
        warnings.append(
            f"{reliance.estimated:,} of {reliance.pairs:,} drives are estimated: the road service "
            "has not told them, or they are too long to be asked for."
        )
    if reliance.off_road or reliance.cut_off:
        names = _names(session)
        warnings += _listed(
            reliance.off_road,
            names,
            "No road is within {metres:,.0f} metres of {name}: drives there are estimated. "
            "Check its place on the map.",
        )
        warnings += _listed(
            reliance.cut_off,
            names,
            "No road leads to {name} and back, so nobody can be sent by it. Check its place on "
            "the map, and whether the road service knows its ferry.",
        )
    by_road = reliance.estimated < reliance.pairs
    return replace(
        told,
        source=Source.ROADS if by_road else Source.ESTIMATE,
        pairs=reliance.pairs,
        estimated=reliance.estimated,
        oldest=travel.ways.oldest,
        attribution=OSM_ATTRIBUTION if by_road else "",
        warnings=tuple(warnings),
    )


def _silence(service: RoadServiceRow) -> str:
    since = f"{service.failing_since:%Y-%m-%d %H:%M}Z"
    return f"The road service has not answered since {since} ({service.failure})."


def _listed(
    places: Sequence[Coordinates], names: Mapping[Coordinates, str], sentence: str
) -> list[str]:
    told = [
        sentence.format(
            metres=MOST_OFF_ROAD_METRES, name=names.get(place, f"{place.lat}, {place.lon}")
        )
        for place in places[:_MOST_NAMED]
    ]
    if (more := len(places) - _MOST_NAMED) > 0:
        told.append(f"The same holds for {more} more places.")
    return told


def _names(session: Session) -> dict[Coordinates, str]:
    people = session.exec(select(TechnicianRow.lat, TechnicianRow.lon, TechnicianRow.name))
    named = {Coordinates(lat=lat, lon=lon): f"{name}'s home" for lat, lon, name in people}
    for lat, lon, name in session.exec(select(SiteRow.lat, SiteRow.lon, SiteRow.name)):
        named[Coordinates(lat=lat, lon=lon)] = name
    return named
