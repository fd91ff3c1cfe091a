"""Did a breaker's openings move at once: between the marking of neutral and the passes, or among the passes?

What the index cannot show, `steadiness` in part does not either: a coupling that slips once takes disc and index along, and if it slips
after neutral was marked and before the first pass, all passes agree with each other and are off together. But on the way to neutral the
magnet is turned through openings, too. They are no passes; they lie on the same disc all the same. So each lobe's openings before and
after a moment are compared.

Model: least squares of angle with an intercept for each lobe and one step common to all lobes, at each place between two openings of
which the later one lies behind the first press (analysis of covariance; Snedecor and Cochran, Statistical Methods, chapter 18);
N - L - 1 degrees of freedom, Student's t two-sided. The place between the openings before neutral and the first pass has half of the
significance, all others share the other half (Bonferroni). Where the speed changed with the step, what the bound on the delay
explains is taken off first.

Limits, and by physics: of a slip without any opening before it nothing in the stream differs from a unit that opens so much later. It
is then assumed not to have slipped; neutral marked again afterwards would tell. A slip before the marks, behind an opening, is taken
for one behind them: too much is allowed for then, never too little. One smaller than the scatter tells is not seen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench import student
from bench.uncertainty import Term, rectangular

#: Chance that scatter alone makes a jump in a job, shared by its breakers.
SIGNIFICANCE = 0.001
JUMP = "jump of the passes"
#: Below, no lobe was seen both before and behind a place.
LEAST_SPREAD = 1e-9
#: A step smaller than this is left by adding floating-point numbers up.
ROUNDING_DEG = 1e-9
#: For the record, where nothing was crossed before neutral was marked.
UNCHECKED = (
    "No opening was crossed before neutral was marked, so that nothing shows whether the encoder's coupling slipped between neutral and "
    "the passes. It is assumed that it did not. Turn once round before marking neutral, and it is checked."
)


@dataclass(frozen=True, slots=True)
class Crossed:
    """One opening in the running direction: when, which lobe, how far past its lobe's place (degrees), how fast, and is it a pass?"""

    tick: int
    lobe: int
    past_deg: float
    speed_deg_s: float
    is_pass: bool


@dataclass(frozen=True, slots=True)
class Jump:
    """The likeliest step, degrees. `among_passes`: passes lie on both sides of it."""

    step_deg: float
    u_deg: float
    freedom: int
    statistic: float
    critical: float
    among_passes: bool

    @property
    def significant(self) -> bool:
        """By Student's t at the stated level."""
        return self.statistic > self.critical

    @property
    def bound_deg(self) -> float:
        """How far passes may be off a mark: the step as seen, and twice its standard uncertainty; 0 if it is not significant."""
        return abs(self.step_deg) + 2 * self.u_deg if self.significant else 0.0


def jump(
    crossed: Sequence[Crossed], marked_tick: int, delay_s: float, allowed_deg: float, breakers: int = 1
) -> Jump | None:
    """The step that explains most, of those behind the first mark at `marked_tick`; None where there are too few openings to tell.

    `delay_s`: half-width of the delay not known; `allowed_deg`: what the disc may make of it where a lobe comes to several places.
    """
    ordered = sorted(crossed, key=lambda c: c.tick)
    lobes = np.array([c.lobe for c in ordered])
    freedom = len(ordered) - len(set(lobes.tolist())) - 1
    if freedom < 1:
        return None
    past = _within(np.array([c.past_deg for c in ordered]), lobes)
    speeds = _within(np.array([c.speed_deg_s for c in ordered]), lobes)
    all_places = [k for k in range(1, len(ordered)) if ordered[k].tick > marked_tick]
    spreads = _spreads(lobes)
    places = np.array([k for k in all_places if spreads[k] >= LEAST_SPREAD], dtype=np.int64)
    if not len(places):
        return None
    # What lies within its lobe has the mean 0: its product with a step's deviations is its sum behind the step.
    spread, step = spreads[places], _behind(past)[places] / spreads[places]
    u = np.sqrt(np.maximum(past @ past - step * step * spread, 0.0) / freedom / spread)
    beyond = np.abs(step) - delay_s * np.abs(_behind(speeds)[places]) / spread - allowed_deg
    beyond[beyond < ROUNDING_DEG] = 0.0
    statistic = np.divide(beyond, u, out=np.where(beyond > 0, np.inf, 0.0), where=u > 0)
    among = np.array([ordered[k - 1].is_pass for k in places.tolist()])
    others = _critical(0.5 / max(len(all_places) - 1, 1) / breakers, freedom)
    critical = np.where(among, others, _critical(0.5 / breakers, freedom))
    best = int(np.argmax(statistic / critical))
    return Jump(
        float(step[best]), float(u[best]), freedom, float(statistic[best]), float(critical[best]), bool(among[best])
    )


def text(jumps: Mapping[str, Jump]) -> str:
    """For the record, of all breakers that jumped."""
    steps = ", ".join(f"{name} by {j.step_deg:+.2f}°" for name, j in jumps.items() if j.significant)
    among = any(j.significant and j.among_passes for j in jumps.values())
    when = "Among the passes" if among else "Between what was seen before neutral was marked and the passes"
    return (
        f"{when} openings moved at once by more than scatter and speed explain: {steps}. The encoder's coupling or a clamp has slipped, "
        "the points were moved, or a clip was off. Mend it and measure again from neutral on. No verdict is given on what moved; its "
        "uncertainty allows for the whole jump."
    )


def term(bound_deg: float, confidence: float) -> Term:
    """All that a jump may have done: rectangular, so wide that its interval for `confidence` reaches the whole `bound_deg`."""
    return rectangular(JUMP, bound_deg / confidence)


def beside(jumped: Term, expanded_deg: float, confidence: float) -> Term:
    """The same where all else has the expanded uncertainty `expanded_deg`: a jump is no chance, so that both add up."""
    return rectangular(JUMP, jumped.contribution_deg * math.sqrt(3) + expanded_deg / confidence)


def _critical(significance: float, freedom: int) -> float:
    return student.quantile(1.0 - SIGNIFICANCE * significance / 2, freedom)


def _behind(values: np.ndarray) -> np.ndarray:
    """At each place k the sum of values k and after it, shape of `values`."""
    return np.cumsum(values[::-1], axis=0)[::-1]


def _spreads(lobes: np.ndarray) -> np.ndarray:
    """Sum of squares within the lobes of a step at each place k (0 before it, 1 from k on), shape (N,)."""
    is_lobe = (lobes[:, None] == np.unique(lobes)[None, :]).astype(float)
    behind = _behind(is_lobe)
    return np.asarray((behind * (1 - behind / is_lobe.sum(axis=0))).sum(axis=1))


def _within(values: np.ndarray, lobes: np.ndarray) -> np.ndarray:
    """Each value less the mean of its lobe."""
    out = values.astype(float)
    for lobe in set(lobes.tolist()):
        out[lobes == lobe] -= out[lobes == lobe].mean()
    return out
