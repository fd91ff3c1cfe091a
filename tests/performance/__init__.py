"""How fast, how large, how near: figures, not tests. Run `python -m tests.performance [NAME …] [--json | --results]`.

Each file `measure_NAME.py` holds one measurement: a function `measure` that gives figures; each file `grow_AXIS.py` one whose `measure`
gives a growth, figures over an axis. A new measurement is a new file. Each figure is a ratio to a peer, or a limit, measured in the same
run, so that it means something on any machine. With --results they are kept in RESULTS.md.
"""
