from datetime import UTC, date, datetime, timedelta

import pytest
from sqlmodel import select

from api.actions.appointments import book_by_hand
from api.actions.calendars import Feed, write_calendar
from api.actions.take_callback import FaultReport, take_callback
from api.storage.database import Database
from api.storage.open_work import publication
from api.storage.standing import late_appointment
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    ContractRow,
    FeedDocumentRow,
    FeedKind,
    MachineRow,
    OutboxRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, MachineUnclear, UnknownReference
from scheduler.triage import WHATEVER_IT_IS
from tests.api.actions.conftest import NOW, TESTER

COLD = FaultReport(machine="E1", symptoms=("no_heat",))


def test_a_report_becomes_a_callback_and_an_urgent_visit(
    database: Database, catalogue: Catalogue
) -> None:
    callback = take_callback(database, COLD, catalogue, now=NOW, origin=TESTER)

    with database.read() as session:
        visit = session.get_one(VisitRow, callback.visit_id)
        topics = list(session.exec(select(OutboxRow.topic)))
    assert (callback.machine_id, callback.client_id, callback.urgency) == (
        "ma-1",
        "cl-1",
        "stopped",
    )
    assert (visit.kind, visit.urgency, visit.state, visit.window) == (
        "callback",
        "stopped",
        "open",
        "any",
    )
    assert visit.headlines == [catalogue.symptoms["no_heat"].name]
    assert visit.minutes > 0
    assert topics == ["callback.taken"]


@pytest.mark.parametrize(
    ("reported_at", "respond_by"),
    [
        # Monday 06:30 in Paris, before the hours of service: 240 minutes from 08:00 end at 12:00,
        # 11:00 UTC in winter time
        (datetime(2027, 3, 22, 5, 30, tzinfo=UTC), datetime(2027, 3, 22, 11, 0, tzinfo=UTC)),
        # Monday 16:30: 90 minutes until 18:00, 150 more on Tuesday from 08:00: 10:30
        (datetime(2027, 3, 22, 15, 30, tzinfo=UTC), datetime(2027, 3, 23, 9, 30, tzinfo=UTC)),
        # Friday 26 March 16:30: 90 minutes; then a weekend with the change to summer time and
        # Easter Monday; Tuesday 30 March 10:30 is 08:30 UTC
        (datetime(2027, 3, 26, 15, 30, tzinfo=UTC), datetime(2027, 3, 30, 8, 30, tzinfo=UTC)),
    ],
)
def test_the_answer_is_due_in_the_contracts_working_hours(
    database: Database, catalogue: Catalogue, reported_at: datetime, respond_by: datetime
) -> None:
    callback = take_callback(database, COLD, catalogue, now=reported_at, origin=TESTER)
    assert callback.respond_by == respond_by


def test_danger_is_recognised_in_the_callers_own_words(
    database: Database, catalogue: Catalogue
) -> None:
    report = FaultReport(machine="E1", text="There is a smell of burning from the back!")

    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)

    assert callback.urgency == "danger"
    assert callback.symptoms == ["smell_of_burning"]
    assert callback.finding["make_safe"] == [catalogue.symptoms["smell_of_burning"].make_safe]


def test_a_second_report_on_the_same_machine_joins_the_first(
    database: Database, catalogue: Catalogue
) -> None:
    first = take_callback(database, COLD, catalogue, now=NOW, origin=TESTER)
    worse = FaultReport(machine="ma-1", symptoms=("smell_of_burning",), text="Now it smells.")

    second = take_callback(database, worse, catalogue, now=NOW, origin=TESTER)

    with database.read() as session:
        callbacks = session.exec(select(CallbackRow)).all()
        visits = session.exec(select(VisitRow)).all()
    assert [row.id for row in callbacks] == [first.id] == [second.id]
    assert len(visits) == 1
    assert (second.urgency, visits[0].urgency) == ("danger", "danger")
    assert set(second.symptoms) == {"no_heat", "smell_of_burning"}


@pytest.mark.parametrize(
    ("starts_on", "ends_on", "covered"),
    [
        (date(2025, 1, 1), date(2027, 3, 22), True),  # its last day is today
        (date(2025, 1, 1), date(2027, 3, 21), False),
        (date(2027, 3, 22), None, True),
        (date(2027, 3, 23), None, False),
    ],
)
def test_a_report_out_of_cover_is_judged_and_marked_but_promised_nothing(
    database: Database, catalogue: Catalogue, starts_on: date, ends_on: date | None, covered: bool
) -> None:
    with database.write() as session:
        contract = session.get_one(ContractRow, "ct-1")
        contract.starts_on, contract.ends_on = starts_on, ends_on
        session.add(contract)

    report = FaultReport(machine="E1", symptoms=("smell_of_burning",))
    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)

    assert callback.covered is covered
    assert (callback.respond_by is not None) is covered
    assert callback.finding["make_safe"] == [catalogue.symptoms["smell_of_burning"].make_safe]
    with database.read() as session:
        visit = session.get_one(VisitRow, callback.visit_id)
    assert (visit.state, visit.respond_by) == ("open", callback.respond_by)
    assert visit.because.startswith("Out of cover") is not covered


def test_a_contract_without_hours_of_service_refuses_no_report(
    database: Database, catalogue: Catalogue
) -> None:
    with database.write() as session:
        contract = session.get_one(ContractRow, "ct-1")
        contract.service_hours = ""
        session.add(contract)

    callback = take_callback(database, COLD, catalogue, now=NOW, origin=TESTER)

    assert (callback.urgency, callback.respond_by, callback.covered) == ("stopped", None, True)


def test_a_second_report_reaches_whoever_is_on_the_way(
    database: Database, catalogue: Catalogue
) -> None:
    first = take_callback(database, COLD, catalogue, now=NOW, origin=TESTER)
    assert first.visit_id is not None
    at_ten = datetime(2027, 3, 22, 9, 0, tzinfo=UTC)
    booked = book_by_hand(
        database, first.visit_id, "te-1", at_ten, catalogue, now=NOW, origin=TESTER
    )
    of_the_site = Feed(FeedKind.SITE, "si-1")
    with database.write() as session:
        write_calendar(session, of_the_site, catalogue, now=NOW + timedelta(minutes=1))
    with database.read() as session:
        revision = publication(session).revision
        assert late_appointment(session, first) is None  # the answer is due at 12:00
    worse = FaultReport(machine="ma-1", symptoms=("smell_of_burning",), text="Now it smells.")

    an_hour_later = NOW + timedelta(hours=1)
    second = take_callback(database, worse, catalogue, now=an_hour_later, origin=TESTER)

    name = catalogue.symptoms["smell_of_burning"].name
    with database.read() as session:
        for kind, subject in ((FeedKind.TECHNICIAN, "te-1"), (FeedKind.SITE, "si-1")):
            calendar = session.get_one(FeedDocumentRow, (kind, subject))
            assert name in calendar.body.decode().replace("\r\n ", "")
        assert publication(session).revision == revision + 1
        # danger: 120 minutes from 08:00 end at 10:00 in Paris, when the appointment begins
        assert (second.respond_by, late_appointment(session, second)) == (at_ten, None)
    with database.write() as session:
        row = session.get_one(AppointmentRow, booked.id)
        row.starts_at += timedelta(minutes=1)
        session.add(row)
    with database.read() as session:
        late = late_appointment(session, second)
    assert late is not None
    assert late.id == booked.id


def test_another_clients_machine_does_not_exist(database: Database, catalogue: Catalogue) -> None:
    with pytest.raises(Absent, match="there is no machine 'E1'"):
        take_callback(database, COLD, catalogue, now=NOW, origin=TESTER, client="cl-2")
    with pytest.raises(Absent, match="there is no machine 'E99'"):
        take_callback(
            database, FaultReport(machine="E99"), catalogue, now=NOW, origin=TESTER, client="cl-2"
        )


def test_a_machine_is_named_by_its_serial_number_or_by_where_it_stands(
    database: Database, catalogue: Catalogue
) -> None:
    def add(name: str, tag: str, serial: str) -> None:
        with database.write() as session:
            like = session.get_one(MachineRow, "ma-1").model_dump()
            session.add(MachineRow(**(like | {"id": name, "tag": tag, "serial": serial})))

    def machine(client: str | None = None, **named: str) -> str:
        report = FaultReport(symptoms=("no_heat",), **named)  # type: ignore[arg-type]
        return take_callback(
            database, report, catalogue, now=NOW, origin=TESTER, client=client
        ).machine_id

    assert machine(site="si-1") == "ma-1"  # the only one there
    with pytest.raises(Absent, match="there is no site with a machine 'si-1'"):
        machine(site="si-1", client="cl-2")
    add("ma-8", "E8", "QX 100/8")
    assert machine(machine="QX 100/8") == "ma-8"
    with pytest.raises(MachineUnclear, match=r"by the tag on it: E1 \(.+\), E8 \(.+\)$"):
        machine(site="si-1")
    blowing = FaultReport(site="si-1", text="The relief valve is lifting!")
    with pytest.raises(
        MachineUnclear, match=r"^Switch the machine off .*cool\. Then say which machine"
    ):
        take_callback(database, blowing, catalogue, now=NOW, origin=TESTER)
    # numbers are the makers' to give: two may be alike, and one like another machine's tag
    add("ma-9", "E9", "QX 100/8")
    add("ma-7", "E7", "E9")
    with pytest.raises(MachineUnclear, match=r"E8 \(.+\), E9"):
        machine(machine="QX 100/8")
    assert machine(machine="E9") == "ma-9"
    assert machine(machine="E9", site="si-1") == "ma-9"
    with pytest.raises(Absent, match="there is no machine 'E9'"):
        machine(machine="E9", site="si-2")


def test_a_machine_is_there_until_the_day_it_is_retired(
    database: Database, catalogue: Catalogue
) -> None:
    def retire(on: date) -> None:
        with database.write() as session:
            session.get_one(MachineRow, "ma-1").retired_on = on

    retire(date(2027, 3, 23))
    assert take_callback(database, COLD, catalogue, now=NOW, origin=TESTER).machine_id == "ma-1"
    retire(date(2027, 3, 22))
    with pytest.raises(Absent, match="there is no machine 'E1'"):
        take_callback(database, COLD, catalogue, now=NOW, origin=TESTER)


def test_an_unknown_symptom_is_refused_and_nothing_is_kept(
    database: Database, catalogue: Catalogue
) -> None:
    report = FaultReport(machine="E1", symptoms=("sneezing",))
    with pytest.raises(UnknownReference, match="sneezing"):
        take_callback(database, report, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        assert session.exec(select(CallbackRow)).all() == []
        assert session.exec(select(VisitRow)).all() == []


def test_french_words_of_danger_are_understood(database: Database, catalogue: Catalogue) -> None:
    report = FaultReport(machine="E1", text="Ça sent le brûlé et il y a de la fumée")
    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)
    assert callback.urgency == "danger"


@pytest.mark.parametrize("text", ["", "Es pfeift so komisch"])
def test_a_fault_nobody_can_name_still_gets_advice_for_the_worst(
    database: Database, catalogue: Catalogue, text: str
) -> None:
    report = FaultReport(machine="E1", text=text)
    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)
    assert callback.finding["make_safe"] == [WHATEVER_IT_IS]


def test_a_smell_of_gas_is_danger_and_nothing_is_to_be_switched(
    database: Database, catalogue: Catalogue
) -> None:
    report = FaultReport(machine="E1", text="odeur de gaz")
    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)
    assert callback.urgency == "danger"
    assert callback.finding["make_safe"] == [catalogue.symptoms["smell_of_gas"].make_safe]
