"""How far is each machine made safe as a step of a worksheet begins?

The state of a step is the one its work needs or leads to. Whoever reads a page in front of the
machine wants to know what it is like now: nothing is dead before it is locked, nor cold before
zero gauge.
"""

from collections.abc import Iterator, Sequence

from scheduler.catalogue import MachineState
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step

_LETS_DOWN = (StepKind.COOL_DOWN, StepKind.ZERO_GAUGE)
_OFF = (MachineState.DEAD, MachineState.COLD)


def states_met(steps: Sequence[Step]) -> Iterator[MachineState]:
    """Yield for each step, in order, the state its machine is to be taken for as it begins.

    A machine is dead only after its shut-down and cold only after the last step that lets it cool
    down and empties it. Steps of the site as a whole keep their own.
    """
    let_down = {step.machine: at for at, step in enumerate(steps) if step.kind in _LETS_DOWN}
    met: dict[str | None, MachineState] = {}
    for at, step in enumerate(steps):
        state = step.state
        if step.kind is StepKind.SHUT_DOWN:
            yield met.get(step.machine, MachineState.LIVE)
            continue
        if state in _OFF and step.machine in let_down:
            state = MachineState.DEAD if at <= let_down[step.machine] else MachineState.COLD
        met[step.machine] = state
        yield state
