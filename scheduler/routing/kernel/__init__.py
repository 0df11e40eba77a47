"""The compiled part of the route search.  Importing anything below this package imports numba.

    compiling   how functions become machine code, and where that code is kept
    layout      the flat arrays: World (never changes) and Search (changes all the time)
    chance      the random numbers, their state inside Search
    labels      when a round can be where, in both states of the break
    rows        opening, changing, undoing one round
    insertion   the cheapest place for a visit: in a row, in all its rows, or instead of another
    ruin        which visits to take out
    recreate    in which order to put them back
    annealing   what to accept; the only function called from Python

A *row* is the round of one shift.  An *option* is a pair (visit, shift) that could be planned if
the round were otherwise empty.  The options of a visit are consecutive and sorted by shift.
"""
