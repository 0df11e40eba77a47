from datetime import date

from scheduler.due_changes import DueChanges, MovedDate, due_changes
from scheduler.upkeep import DueTask

JUNE, JULY, AUGUST = (date(2027, month, 1) for month in (6, 7, 8))


def task(rule: str, target: date, part: str | None = None) -> DueTask:
    return DueTask(
        id=f"m1:{part}:{rule}:{target}",
        machine="m1",
        site="s1",
        rule=rule,
        fitted_part=part,
        anchor=date(2027, 1, 1),
        earliest=target,
        target=target,
        latest=target,
        hard=False,
        because="",
    )


def test_moved_new_and_vanished_dates_are_counted_and_the_first_is_told() -> None:
    before = [task("same", JUNE), task("sooner", AUGUST, "p"), task("gone", JULY)]
    after = [task("same", JUNE), task("sooner", JULY, "p"), task("new", AUGUST)]

    changes = due_changes(before, after)

    assert changes == DueChanges(
        moved=(
            MovedDate(machine="m1", rule="gone", fitted_part=None, before=JULY, after=None),
            MovedDate(machine="m1", rule="sooner", fitted_part="p", before=AUGUST, after=JULY),
            MovedDate(machine="m1", rule="new", fitted_part=None, before=None, after=AUGUST),
        )
    )
    assert (changes.earlier, changes.later, changes.first_effect_on) == (2, 1, JULY)
    assert changes.because == (
        "This change moves 3 due dates, 2 earlier and 1 later; first effect on 2027-07-01."
    )


def test_the_same_tasks_move_nothing() -> None:
    changes = due_changes([task("same", JUNE)], [task("same", JUNE)])
    assert changes == DueChanges(moved=())
    assert (changes.first_effect_on, changes.because) == (None, "This change moves no due date.")
