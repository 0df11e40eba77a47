"""What clients may do by themselves, what work out of cover costs, and who accepted that."""

from typing import Any

from sqlmodel import Session, col, select

from api.storage.tables import BookingRulesRow, ContractRow, PriceAcceptanceRow
from scheduler.call_price import Rates
from scheduler.offers import OfferPolicy


def booking_rules(session: Session) -> BookingRulesRow:
    """Return the one row of rules; it is there from the start."""
    return session.get_one(BookingRulesRow, 1)


def offer_policy(session: Session) -> OfferPolicy:
    """Return what the company offers."""
    row = booking_rules(session)
    return OfferPolicy(
        window_minutes=row.window_minutes,
        step_minutes=row.step_minutes,
        notice_minutes=row.offer_notice_minutes,
        count=row.offers,
        per_day=row.offers_per_day,
        later_day_minutes=row.later_day_minutes,
        near_minutes=row.near_minutes,
        dearest_minutes=row.dearest_minutes,
        overtime_minutes=row.overtime_minutes,
    )


def rates_of(session: Session, contract_id: str) -> Rates:
    """Return what is charged under a contract: its own rates, else the company's."""
    row, contract = booking_rules(session), session.get_one(ContractRow, contract_id)
    own_call_out, own_rate = contract.call_out_minor, contract.hour_rate_minor
    return Rates(
        call_out_minor=row.call_out_minor if own_call_out is None else own_call_out,
        hour_rate_minor=row.hour_rate_minor if own_rate is None else own_rate,
    )


def acceptance_of(
    session: Session, callback_id: str, price: dict[str, Any]
) -> PriceAcceptanceRow | None:
    """Return who accepted exactly this price, None when nobody has."""
    return session.exec(
        select(PriceAcceptanceRow)
        .where(PriceAcceptanceRow.callback_id == callback_id)
        .where(PriceAcceptanceRow.amount_minor == price["amount_minor"])
        .where(PriceAcceptanceRow.currency == price["currency"])
        .order_by(col(PriceAcceptanceRow.accepted_at).desc())
    ).first()
