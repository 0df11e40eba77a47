"""Rows → the company's own intervals, as upkeep takes them."""

from sqlmodel import Session, col, select

from api.storage.tables import IntervalDecisionRow
from scheduler.spacing import IntervalDecision


def interval_decisions(session: Session) -> tuple[IntervalDecision, ...]:
    """Return the decisions that stand: one at most for a rule on the same machines."""
    rows = session.exec(
        select(IntervalDecisionRow)
        .where(col(IntervalDecisionRow.withdrawn_on).is_(None))
        .order_by(col(IntervalDecisionRow.id))
    )
    return tuple(decision_of(row) for row in rows)


def decision_of(row: IntervalDecisionRow) -> IntervalDecision:
    """Return a decision as upkeep takes it."""
    return IntervalDecision(
        rule=row.rule,
        months=row.months,
        decided_by=row.decided_by,
        decided_on=row.decided_on,
        reason=row.reason,
        machine=row.machine_id,
    )
