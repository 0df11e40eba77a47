"""Who goes where, and when: the planning problem, the optimiser, the checker, the explanation."""
