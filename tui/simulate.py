"""`breakerbench simulate`."""

from __future__ import annotations

import argparse
import sys

from bench.errors import UsageError


def run(options: argparse.Namespace) -> int:
    """Stand up the simulated board until interrupted; gives the exit status."""
    from sim.scenario import ScenarioError
    from sim.serve import serve

    try:
        return serve(options, sys.stdout)  # type: ignore[arg-type,call-arg]
    except ScenarioError as error:
        raise UsageError(str(error)) from None
