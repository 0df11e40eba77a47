"""Two and a half years of service, simulated: visits when work falls due, and failures between.

The catalogue's rules say what falls due, by the same code that plans the real work. Parts fail by
their own lives (``lives.py``). Work done at every visit whatever the date is not recorded: nothing
depends on when it was last done. In the last winter the company was short of hands: at some sites
upkeep stopped, which is the backlog the demo starts with.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.catalogue import Catalogue
from scheduler.duty import stated_duty
from scheduler.machines import Machine, Outcome
from scheduler.upkeep import DueTask
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import public_holidays
from seed_data.company.crew import Crew
from seed_data.company.equipment import build_of
from seed_data.company.meters import Pace, pace_of, readings_of
from seed_data.company.records import Contract, Part, Reading, Site, Technician, Unit, Work
from seed_data.company.setting import Setting
from seed_data.company.unit_log import UnitLog

_ONE_DAY = timedelta(days=1)
_FIRST_ROUND_DAYS = 70  # in which every site gets its first planned visit of the record
_WINTER_WEEKS = 10  # before the demo day
_BACKLOG_SHARE = 0.45  # of the sites got no upkeep for the last part of them
_LEFT_FOR_NEXT_TIME_SHARE = 0.05  # of the tasks that could have been done at a visit
_FOUND_WITHIN = timedelta(days=14)  # a part that fails so soon is found worn at a visit
_UNHURRIED_SHARE = 0.3  # of the interval that clients without upkeep let pass


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What the simulation leaves behind; units may have been converted meanwhile."""

    units: tuple[Unit, ...]
    parts: tuple[Part, ...]
    work: tuple[Work, ...]
    readings: tuple[Reading, ...]


def history(
    sites: Sequence[Site],
    contracts: Sequence[Contract],
    units: Sequence[Unit],
    crew: Crew,
    catalogue: Catalogue,
    setting: Setting,
) -> History:
    """Simulate every site up to the day before the demo day."""
    contract_by_id = {contract.id: contract for contract in contracts}
    logs: list[UnitLog] = []
    readings: list[Reading] = []
    for site in sites:
        paces = {unit.id: pace_of(unit, site, setting) for unit in units if unit.site_id == site.id}
        simulation = _SiteSimulation(
            site, contract_by_id[site.contract_id], paces, crew, catalogue, setting
        )
        simulation.run()
        logs += simulation.logs
        for log in simulation.logs:
            readings += readings_of(paces[log.unit.id], site, log.work, catalogue, setting)
    return History(
        units=tuple(log.unit for log in logs),
        parts=tuple(part for log in logs for part in log.parts),
        work=tuple(work for log in logs for work in log.work),
        readings=tuple(readings),
    )


class _SiteSimulation:
    def __init__(
        self,
        site: Site,
        contract: Contract,
        paces: dict[str, Pace],
        crew: Crew,
        catalogue: Catalogue,
        setting: Setting,
    ) -> None:
        self._site = site
        self._contract = contract
        self._crew = crew
        self._catalogue = catalogue
        self._setting = setting
        self._rng = setting.random("history", site.id)
        self._access = WeeklyHours.parse(site.access_hours)
        self._slack: dict[str, float] = {}
        self._start = max(setting.history_start, contract.starts_on)
        self._first_visit = self._start + self._rng.randrange(_FIRST_ROUND_DAYS) * _ONE_DAY
        self.logs = [
            UnitLog(
                pace.unit,
                start=self._start,
                duty=stated_duty(_at_pace(pace), catalogue, hardness_dh=site.hardness_dh),
                catalogue=catalogue,
                rng=setting.random("unit", pace.unit.id),
            )
            for pace in paces.values()
        ]
        self._open_tasks = {log.unit.id: log.tasks() for log in self.logs}
        self._upkeep_stops = self._draw_upkeep_stop()

    def run(self) -> None:
        """Go from event to event until the demo day."""
        start = self._start
        while True:
            failure_day, log, part_id = self._next_failure()
            planned_day, alone = self._next_planned()
            day = self._day_of_visit(max(min(failure_day, planned_day), start))
            if day >= self._setting.planning_day:
                break
            if self._retire(day):
                continue
            if failure_day <= planned_day:
                done = log is not None and self._mend(log, part_id, day)
            else:
                done = self._visit(day, alone)
            # nobody could come: look again on the next day
            start = day if done else day + _ONE_DAY
        self._retire(self._setting.planning_day)

    def _in_service(self) -> list[UnitLog]:
        return [log for log in self.logs if log.unit.id in self._open_tasks]

    def _retire(self, day: date) -> bool:
        """Take the units out of service whose time is up; whether there were any."""
        before = len(self._open_tasks)
        for log in self._in_service():
            retired_on = log.unit.retired_on
            if retired_on is not None and retired_on <= day:
                log.close(retired_on)
                del self._open_tasks[log.unit.id]
        return len(self._open_tasks) < before

    def _next_failure(self) -> tuple[date, UnitLog | None, str]:
        worst: tuple[date, UnitLog | None, str] = (date.max, None, "")
        for log in self._in_service():
            day, part_id = log.first_failure()
            if day < worst[0]:
                worst = (day, log, part_id)
        return worst

    def _next_planned(self) -> tuple[date, DueTask | None]:
        """Return when somebody comes next, and the task if it is one that shares no visit."""
        wanted = [
            (self._wanted_on(task), task.id, task)
            for tasks in self._open_tasks.values()
            for task in tasks
        ]
        if not wanted:
            return date.max, None
        day, _, task = min(wanted)
        return day, task if self._catalogue.rules[task.rule].alone else None

    def _wanted_on(self, task: DueTask) -> date:
        """Return the day on which the company would do a task, were it alone."""
        if task.id not in self._slack:
            self._slack[task.id] = self._setting.random("slack", task.id).random()
        slack = self._slack[task.id]
        day = task.target + slack * (task.latest - task.target)
        if not task.hard:
            if not self._contract.upkeep_included:
                day += _UNHURRIED_SHARE * (task.target - task.anchor)
            if day >= self._upkeep_stops:
                return date.max
            day = max(day, self._first_visit)
        return day

    def _day_of_visit(self, day: date) -> date:
        while not self._welcome_on(day):
            day += _ONE_DAY
        return day

    def _welcome_on(self, day: date) -> bool:
        return (
            bool(self._access.on(day))
            and day not in public_holidays(self._setting.holiday_country, None, day.year)
            and not any(first <= day <= last for first, last in self._site.closures)
        )

    def _mend(self, log: UnitLog, part_id: str, day: date) -> bool:
        rule = log.mending_rule(part_id)
        technician = self._crew.sent_to(self._site, day, rule.skills, self._rng)
        if technician is None:
            return False
        log.carry_out(rule, part_id, day, outcome=Outcome.FAILURE, technician=technician.id)
        self._open_tasks[log.unit.id] = log.tasks()
        return True

    def _visit(self, day: date, alone: DueTask | None) -> bool:
        """Carry out what can share a visit on a day, or the one task that cannot."""
        tasks = [alone] if alone else self._worth_doing(day)
        rules = self._catalogue.rules
        skills = frozenset[str]().union(*(rules[task.rule].skills for task in tasks))
        technician = self._crew.sent_to(self._site, day, skills, self._rng)
        if technician is None:
            return False
        for log in self._in_service():
            own = [task for task in tasks if task.machine == log.unit.id]
            if own:
                self._work_on(log, own, day, technician, worn_parts_too=alone is None)
                self._open_tasks[log.unit.id] = log.tasks()
        return True

    def _worth_doing(self, day: date) -> list[DueTask]:
        rules = self._catalogue.rules
        return [
            task
            for tasks in self._open_tasks.values()
            for task in tasks
            if task.earliest <= day
            and not rules[task.rule].alone
            and (task.target <= day or self._rng.random() >= _LEFT_FOR_NEXT_TIME_SHARE)
        ]

    def _work_on(
        self,
        log: UnitLog,
        tasks: Sequence[DueTask],
        day: date,
        technician: Technician,
        *,
        worn_parts_too: bool,
    ) -> None:
        rules = self._catalogue.rules
        for task in tasks:
            log.carry_out(
                rules[task.rule],
                task.fitted_part,
                day,
                outcome=Outcome.PLANNED,
                technician=technician.id,
            )
        for part_id in log.failing_by(day + _FOUND_WITHIN) if worn_parts_too else ():
            rule = log.mending_rule(part_id)
            if rule.skills <= set(technician.skills):
                log.carry_out(rule, part_id, day, outcome=Outcome.FOUND, technician=technician.id)

    def _draw_upkeep_stop(self) -> date:
        if self._rng.random() >= _BACKLOG_SHARE:
            return date.max
        return self._setting.planning_day - self._rng.randint(1, _WINTER_WEEKS * 7) * _ONE_DAY


def _at_pace(pace: Pace) -> Machine:
    unit = pace.unit
    return Machine(
        id=unit.id,
        site=unit.site_id,
        name=unit.name,
        build=build_of(unit),
        installed_on=unit.installed_on,
        drinks_per_day=pace.drinks_per_day,
    )
