"""A crew problem for VROOM, through the pyvroom package (its bundled library is under the GPL).

VROOM knows several windows, skills and breaks. It first serves as much priority as it can and
only then minds the travel, so leave-out costs become priorities from 1 to 100. A pin becomes a
skill only its shift has, one window of one minute, and top priority. It knows no cost for a
visit in a shift; there is no seed.
"""

from datetime import timedelta

import numpy as np
import vroom

from scheduler.routing.problem import Problem, Shift, Visit


def rounds(problem: Problem, seconds: float, seed: int) -> dict[str, list[str]]:
    """Return shift id to the ids of its visits in order."""
    skills = sorted({skill for visit in problem.visits for skill in visit.skills})
    number = {skill: at for at, skill in enumerate(skills)}
    pin_number = {shift.id: len(skills) + at for at, shift in enumerate(problem.shifts)}
    dearest = max((visit.leave_out_cost for visit in problem.visits), default=1) or 1
    task = vroom.Input()
    task.set_durations_matrix(profile="car", matrix_input=problem.travel_minutes.astype(np.uint32))
    for at, shift in enumerate(problem.shifts):
        known = {number[skill] for skill in shift.skills if skill in number}
        task.add_vehicle(_vehicle(at, shift, known | {pin_number[shift.id]}))
    for at, visit in enumerate(problem.visits):
        if not visit.start_windows:
            continue
        needed = {number[skill] for skill in visit.skills}
        priority = 1 + round(98 * visit.leave_out_cost / dearest)
        windows = visit.start_windows
        if visit.pinned is not None:
            needed.add(pin_number[visit.pinned.shift])
            priority = 100
            windows = ((visit.pinned.start, visit.pinned.start),)
        task.add_job(_job(at, visit, needed, priority, windows))
    solution = task.solve(exploration_level=5, nb_threads=2, timeout=timedelta(seconds=seconds))
    found: dict[str, list[str]] = {}
    steps = solution.routes
    for vehicle, kind, job in zip(steps["vehicle_id"], steps["type"], steps["id"], strict=True):
        if kind == "job":
            shift = problem.shifts[int(vehicle)]
            found.setdefault(shift.id, []).append(problem.visits[int(job)].id)
    return found


def _vehicle(at: int, shift: Shift, skills: set[int]) -> vroom.Vehicle:
    breaks = []
    if shift.pause is not None:
        latest_start = shift.pause.latest - shift.pause.minutes
        window = vroom.TimeWindow(shift.pause.earliest, latest_start)
        breaks.append(vroom.Break(0, time_windows=[window], service=shift.pause.minutes))
    return vroom.Vehicle(
        at,
        start=shift.start_place,
        end=shift.end_place,
        skills=skills,
        time_window=vroom.TimeWindow(shift.start, shift.end),
        breaks=breaks,
    )


def _job(
    at: int, visit: Visit, skills: set[int], priority: int, windows: tuple[tuple[int, int], ...]
) -> vroom.Job:
    return vroom.Job(
        at,
        location=visit.place,
        default_service=visit.minutes,
        skills=skills,
        priority=priority,
        time_windows=[vroom.TimeWindow(first, last) for first, last in windows],
    )
