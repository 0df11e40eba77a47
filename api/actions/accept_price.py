"""Work no contract covers has a price, and waits until the client accepts it."""

from datetime import datetime

from api.actions.take_callback import announce_callback
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.scope import Scope, one
from api.storage.tables import CallbackRow, PriceAcceptanceRow, VisitRow
from scheduler.errors import Conflict, PriceChanged


def accept_price(
    database: Database,
    callback_id: str,
    *,
    amount_minor: int,
    currency: str,
    accepted_by: str,
    now: datetime,
    origin: Origin,
    scope: Scope,
) -> PriceAcceptanceRow:
    """Record that somebody accepted the price of a callback's visit; it may be booked then.

    Raises
    ------
    Absent
        There is no such callback in the scope.
    PriceChanged
        That is not, or no longer, the price.
    Conflict
        The visit is covered, or the callback is over.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = one(session, CallbackRow, callback_id, scope)
        if row.price is None:
            raise Conflict(f"callback {row.id} is covered by the contract: there is no price")
        if row.state != "open":
            raise Conflict(f"callback {row.id} is {row.state}: there is nothing to accept")
        asked = row.price["amount_minor"], row.price["currency"]
        if (amount_minor, currency) != asked:
            raise PriceChanged(*asked)
        acceptance = PriceAcceptanceRow(
            id=new_id("pa"),
            callback_id=row.id,
            price=row.price,
            amount_minor=amount_minor,
            currency=currency,
            accepted_at=now,
            accepted_by=accepted_by,
            actor=origin.actor,
            request_id=origin.request_id,
        )
        visit = session.get_one(VisitRow, row.visit_id)
        visit.awaits_price = False
        session.add_all([acceptance, visit])
        session.flush()
        announce_callback(session, row, topic="callback.price_accepted", now=now)
        record(
            session,
            origin,
            now=now,
            verb="accept_price",
            subject=f"callback/{row.id}",
            after={"acceptance": acceptance.id, "amount_minor": amount_minor, "currency": currency},
        )
        return acceptance
