"""The guided job in plain lines: sentences out, lines typed in, for screen readers, terminals that know only lines, and logs."""

from __future__ import annotations

import argparse
import contextlib
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable
from datetime import date
from typing import Any, TextIO

from bench import cautions
from bench.check_list import first_entries  # noqa: F401
