"""The compiled part of the route search.  Importing anything below this package imports numba.

    compiling   how functions become machine code, and where that code is kept
    layout      the flat arrays: World (never changes) and Search (changes all the time)
    chance      the random numbers, their state inside Search
    labels      when a round can be where, in both states of the break
    working_time  how long a round takes, waiting included
    supplies    tools, parts and the call at the workshop; labels a row after a change
    rows        opening, changing, undoing one round
    insertion   the cheapest place for a visit: in a row, in all its rows, or instead of another
    careful     the same in a row where working time, tools or parts count
    ruin        which visits to take out
    recreate    in which order to put them back
    annealing   what to accept; the only function called from Python

A *row* is the round of one shift.  An *option* is a pair (visit, shift) that could be planned if
the round were otherwise empty.  The options of a visit are consecutive and sorted by shift.
"""
