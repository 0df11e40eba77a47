"""A planning problem stated as constraints for CP-SAT, which proves its optimum.

Reference: the CP-SAT solver of OR-Tools (https://developers.google.com/optimization/cp). Only
the statement of the problem is shared with the planner.
"""

from itertools import combinations, product

from ortools.sat.python import cp_model

from scheduler.routing.problem import Problem, Shift


def proven_optimum(problem: Problem) -> int:
    """Return the least total cost of any plan, proven by CP-SAT. For up to about ten visits."""
    model = cp_model.CpModel()
    rounds = [_Round(model, problem, shift) for shift in problem.shifts]
    costs = [cost for round_ in rounds for cost in round_.costs]
    for at, visit in enumerate(problem.visits):
        made = sum(round_.makes[at] for round_ in rounds)
        model.add(made == 1 if visit.pinned is not None else made <= 1)
        costs.append(visit.leave_out_cost * (1 - made))
    _link(model, problem, rounds)
    _keep_apart(model, problem, rounds)
    model.minimize(sum(costs))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return round(solver.objective_value)


def _link(model: cp_model.CpModel, problem: Problem, rounds: "list[_Round]") -> None:
    """What comes after another, and what two technicians make together."""
    index = problem.visit_index()
    for at, visit in enumerate(problem.visits):
        made = sum(round_.makes[at] for round_ in rounds)
        if visit.after is not None:
            before = index[visit.after.visit]
            model.add(made <= sum(round_.makes[before] for round_ in rounds))
            for own, earlier in product(rounds, rounds):
                over = earlier.starts[before] + problem.visits[before].minutes_in(earlier.shift.id)
                model.add(own.starts[at] >= over + visit.after.minutes).only_enforce_if(
                    own.makes[at], earlier.makes[before]
                )
        if visit.together_with is not None:
            half = index[visit.together_with]
            model.add(made == sum(round_.makes[half] for round_ in rounds))
            for own, other in product(rounds, rounds):
                both = (own.makes[at], other.makes[half])
                if own.shift.technician == other.shift.technician:
                    model.add_bool_or(~own.makes[at], ~other.makes[half])
                else:
                    model.add(own.starts[at] == other.starts[half]).only_enforce_if(*both)


def _keep_apart(model: cp_model.CpModel, problem: Problem, rounds: "list[_Round]") -> None:
    """No two technicians at one site in shifts that overlap."""
    for (at, one), (to, two) in combinations(enumerate(problem.visits), 2):
        halves = one.together_with == two.id or two.together_with == one.id
        both_pinned = one.pinned is not None and two.pinned is not None
        if one.site is None or one.site != two.site or halves or both_pinned:
            continue
        for own, other in product(rounds, rounds):
            overlap = min(own.shift.end, other.shift.end) > max(own.shift.start, other.shift.start)
            if overlap and own.shift.technician != other.shift.technician:
                model.add_bool_or(~own.makes[at], ~other.makes[to])


class _Round:
    """The variables and rules of one shift: a circuit through the visits it makes."""

    def __init__(self, model: cp_model.CpModel, problem: Problem, shift: Shift) -> None:
        self._model = model
        self._problem = problem
        self.shift = shift
        self.costs: list[cp_model.LinearExprT] = []
        self._legs: list[cp_model.LinearExprT] = []
        self.makes = [model.new_bool_var(f"makes {visit.id}") for visit in problem.visits]
        self.starts = [self._start(at) for at in range(len(problem.visits))]
        self._resting: list[cp_model.IntVar] = []
        used = model.new_bool_var("used")
        self._break = self._break_variable()
        # Node 0 is the start and end of the round, the visits are 1 and up.
        arcs: list[tuple[int, int, cp_model.LiteralT]] = [(0, 0, ~used)]
        for at, visit in enumerate(problem.visits):
            arcs.append((at + 1, at + 1, ~self.makes[at]))
            model.add_implication(self.makes[at], used)
            self.costs.append(visit.shift_costs.get(shift.id, 0) * self.makes[at])
            end = self.starts[at] + visit.minutes_in(shift.id)
            out = self._leg(shift.start, self.starts[at], shift.start_place, visit.place)
            back = self._leg(end, shift.end, visit.place, shift.end_place)
            arcs += [(0, at + 1, out), (at + 1, 0, back)]
            for to, other in enumerate(problem.visits):
                if to != at:
                    onward = self._leg(end, self.starts[to], visit.place, other.place)
                    arcs.append((at + 1, to + 1, onward))
        model.add_circuit(arcs)
        self._limit_travel()
        if shift.pause is not None:
            model.add(sum(self._resting) == used)

    def _limit_travel(self) -> None:
        """The driving limit, and the charge for the hours of travel and visits, squared."""
        model, problem, shift = self._model, self._problem, self.shift
        travel = sum(self._legs)
        if shift.driving_limit is not None:
            model.add(travel <= shift.driving_limit)
        if problem.balance:
            most = 24 * 60
            apart = model.new_int_var(-most, most, "minutes from the usual ones")
            works = model.new_bool_var("works at all")
            worked = travel + sum(
                visit.minutes_in(shift.id) * makes
                for visit, makes in zip(problem.visits, self.makes, strict=True)
            )
            model.add(apart == worked - shift.usual_minutes).only_enforce_if(works)
            model.add(apart == 0).only_enforce_if(~works)
            model.add(worked > 0).only_enforce_if(works)
            model.add(worked == 0).only_enforce_if(~works)
            squared = model.new_int_var(0, most**2, "squared")
            model.add_multiplication_equality(squared, [apart, apart])
            charge = model.new_int_var(0, problem.balance * most**2 // 3600 + 1, "balance")
            model.add(3600 * charge >= problem.balance * squared)
            self.costs.append(charge)

    def _start(self, at: int) -> cp_model.IntVar:
        """The minute a visit starts; it cannot be made without skill, window or its pin."""
        visit, shift = self._problem.visits[at], self.shift
        allowed = [list(window) for window in visit.start_windows]
        able = visit.skills <= shift.skills and bool(allowed)
        if visit.pinned is not None:
            allowed = [[visit.pinned.start, visit.pinned.start]]
            able = able and visit.pinned.shift == shift.id
        if not able:
            self._model.add(self.makes[at] == 0)
            allowed = [[0, 0]]
        domain = cp_model.Domain.from_intervals(allowed)
        return self._model.new_int_var_from_domain(domain, f"start of {visit.id}")

    def _break_variable(self) -> cp_model.IntVar:
        pause, shift = self.shift.pause, self.shift
        if pause is None:
            return self._model.new_constant(0)
        first = max(shift.start, pause.earliest)
        last = min(shift.end, pause.latest) - pause.minutes
        return self._model.new_int_var(first, last, "break")

    def _leg(
        self,
        leave: cp_model.LinearExprT,
        arrive: cp_model.LinearExprT,
        origin: int,
        target: int,
    ) -> cp_model.IntVar:
        """A journey: if it is made, it takes its time, and the break's if that is on it."""
        model, pause = self._model, self.shift.pause
        made = model.new_bool_var("leg")
        minutes = int(self._problem.travel_minutes[origin, target])
        self.costs.append(minutes * made)
        self._legs.append(minutes * made)
        model.add(leave + minutes <= arrive).only_enforce_if(made)
        if pause is not None:
            resting = model.new_bool_var("break on this leg")
            self._resting.append(resting)
            model.add_implication(resting, made)
            model.add(leave + minutes + pause.minutes <= arrive).only_enforce_if(resting)
            model.add(self._break >= leave).only_enforce_if(resting)
            model.add(self._break + pause.minutes <= arrive).only_enforce_if(resting)
        return made
