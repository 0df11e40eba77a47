"""What a machine is to be taken for as each step begins: it is never called safe too early."""

from hypothesis import given
from hypothesis import strategies as st

from scheduler.catalogue import MachineState
from scheduler.made_safe import states_met
from scheduler.upkeep import DueTask
from scheduler.visit_steps import StepKind
from scheduler.worksheet import build_worksheet
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP, machine, task
from tests.scheduler.test_worksheet import ALL_TASKS, ALONE, MACHINES

LIVE, HOT, DEAD, COLD = (
    MachineState.LIVE,
    MachineState.ISOLATED_HOT,
    MachineState.DEAD,
    MachineState.COLD,
)


def test_a_machine_is_called_dead_once_locked_and_cold_once_at_zero_gauge() -> None:
    at = machine("left", TWO_GROUP)
    sheet = build_worksheet([task(at, "rebuild_brew_valve", 1)], [at], CATALOGUE)
    met = [
        (step.kind, state)
        for step, state in zip(sheet.steps, states_met(sheet.steps), strict=True)
        if step.machine
    ]

    assert (StepKind.SHUT_DOWN, LIVE) in met
    assert (StepKind.COOL_DOWN, DEAD) in met
    assert (StepKind.ZERO_GAUGE, DEAD) in met
    assert (StepKind.WORK, COLD) in met
    assert (StepKind.REHEAT, HOT) in met


@given(st.lists(st.sampled_from([t for t in ALL_TASKS if t.rule not in ALONE]), min_size=1))
def test_nothing_is_called_safe_before_it_is(tasks: list[DueTask]) -> None:
    sheet = build_worksheet(list(dict.fromkeys(tasks)), MACHINES, CATALOGUE)
    locked: set[str | None] = set()
    for at, (step, state) in enumerate(zip(sheet.steps, states_met(sheet.steps), strict=True)):
        if step.machine is None:
            continue
        if state in (DEAD, COLD):
            assert step.machine in locked, step.text
        if state is COLD:
            later = [s.kind for s in sheet.steps[at:] if s.machine == step.machine]
            assert not {StepKind.COOL_DOWN, StepKind.ZERO_GAUGE} & set(later), step.text
        if step.kind is StepKind.SHUT_DOWN:
            locked.add(step.machine)
        if step.kind is StepKind.POWER_ON:
            locked.discard(step.machine)
