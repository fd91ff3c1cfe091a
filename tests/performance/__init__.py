"""How fast and how large: figures, not tests. Run `python -m tests.performance [NAME …] [--json]`.

Each file `measure_NAME.py` holds one measurement: a function `measure` that gives figures. A new measurement is a new file.
Each figure is a ratio to a peer, or a limit, measured in the same run, so that it means something on any machine.
"""
