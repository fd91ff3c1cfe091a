"""Zero-speed angle: a straight line of opening angle against speed, taken back to standstill.

Model. A delay τ between contact and edge (a capacitor that must charge, a latch) moves the angle read by τ times the speed:
angle = zero-speed angle + τ·speed + scatter. Weighted least squares about the weighted mean speed v̄ with weights w:
τ = Σw(v-v̄)a / Σw(v-v̄)², angle at v = ā + τ(v-v̄); the weights are only relative, so the variance of a pass of unit weight is
s² = Σw·residual²/(n-2), and u²(angle at v) = s²/Σw + (v-v̄)²·s²/Σw(v-v̄)², with n-2 degrees of freedom.
Source: JCGM 100:2008 H.3 (equal weights), any text on weighted regression. Leverage h = w/Σw + w(v-v̄)²/Σw(v-v̄)².

Limits: one delay for all passes, the same at every speed; independent scatter; speeds known much better than their range. A
probe threshold that moves with bounce, or a speed-dependent bounce, is outside the model. Degrees, degrees per second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench.uncertainty import Budget, coverage_factor, rectangular, type_a

#: Passes needed at either end of the range of speeds.
LEAST_PER_END = 3
#: Fastest over slowest speed from which a range is wide.
LEAST_RATIO = 2.0
#: What a slow pass is asked to be of the slowest so far: with room to LEAST_RATIO for a hand that hits a speed only roughly.
ASKED_FRACTION = 0.4
#: One pass that carries more than half of its own fitted value decides the line alone.
MOST_LEVERAGE = 0.5
_WORDS = ("no", "one", "two", "three")


def _about(speed_deg_s: float) -> str:
    return f"{float(f'{speed_deg_s:.2g}'):g}"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Passes that would help: how many, how fast, and at which end of the range."""

    passes: int
    speed_deg_s: float
    slow: bool

    @property
    def text(self) -> str:
        """As the operator reads it."""
        end = "slow" if self.slow else "fast"
        return (
            f"{_WORDS[self.passes]} {end} pass{'es' if self.passes > 1 else ''} at about {_about(self.speed_deg_s)}°/s"
        )


@dataclass(frozen=True, slots=True)
class NotUsable:
    """Why there is no line, and which passes would make one (empty where more passes would not help)."""

    reason: str
    wanted: tuple[Wanted, ...] = ()


@dataclass(frozen=True, slots=True)
class SpeedFit:
    """The line. `scatter_deg` is the standard deviation of a pass of mean weight, from the residuals."""

    delay_s: float
    u_delay_s: float
    mean_angle_deg: float
    u_mean_angle_deg: float
    mean_speed_deg_s: float
    scatter_deg: float
    freedom: int
    leverages: tuple[float, ...]

    def at(self, speed_deg_s: float) -> tuple[float, float]:
        """Angle at a speed and its standard uncertainty, degrees."""
        off = speed_deg_s - self.mean_speed_deg_s
        return self.mean_angle_deg + off * self.delay_s, math.hypot(self.u_mean_angle_deg, off * self.u_delay_s)

    @property
    def zero_speed_deg(self) -> float:
        """Angle at standstill, degrees."""
        return self.at(0.0)[0]

    @property
    def u_zero_speed_deg(self) -> float:
        """Standard uncertainty of the angle at standstill, degrees, with `freedom` degrees of freedom."""
        return self.at(0.0)[1]


def fit(
    angles_deg: Sequence[float], speeds_deg_s: Sequence[float], weights: Sequence[float] | None = None
) -> SpeedFit | NotUsable:
    """The line through passes of one lobe, or why there is none.

    Weights are relative (inverse variances up to a common factor); None weighs all alike. The ends of the range are the
    passes below and above its geometric middle. Raises ValueError for unequal lengths, a weight that is not positive, or an angle
    that is no number.
    """
    n = len(angles_deg)
    weighing = [1.0] * n if weights is None else list(weights)
    if len(speeds_deg_s) != n or len(weighing) != n:
        raise ValueError("angles, speeds and weights: one of each per pass was expected")
    if not all(0.0 < w < math.inf for w in weighing) or not all(math.isfinite(a) for a in angles_deg):
        raise ValueError("finite angles and positive weights were expected")
    unusable = _spread(speeds_deg_s)
    if unusable is not None:
        return unusable
    total = math.fsum(weighing)
    mean_speed = math.fsum(w * v for w, v in zip(weighing, speeds_deg_s)) / total
    mean_angle = math.fsum(w * a for w, a in zip(weighing, angles_deg)) / total
    off = [v - mean_speed for v in speeds_deg_s]
    squares = math.fsum(w * d * d for w, d in zip(weighing, off))
    leverages = tuple(w / total + w * d * d / squares for w, d in zip(weighing, off))
    unusable = _levers(leverages, speeds_deg_s)
    if unusable is not None:
        return unusable
    delay = math.fsum(w * d * (a - mean_angle) for w, d, a in zip(weighing, off, angles_deg)) / squares
    residuals = [a - mean_angle - delay * d for a, d in zip(angles_deg, off)]
    variance = math.fsum(w * r * r for w, r in zip(weighing, residuals)) / (n - 2)
    return SpeedFit(
        delay,
        math.sqrt(variance / squares),
        mean_angle,
        math.sqrt(variance / total),
        mean_speed,
        math.sqrt(variance * n / total),
        n - 2,
        leverages,
    )


def _spread(speeds: Sequence[float]) -> NotUsable | None:
    """What is wrong with the range of speeds; None if it is wide and filled at both ends."""
    if not speeds:
        return NotUsable("there are no passes")
    if not all(0.0 < v < math.inf for v in speeds):
        return NotUsable("a pass has no speed in the running direction")
    slowest, fastest = min(speeds), max(speeds)
    if fastest < LEAST_RATIO * slowest:
        return NotUsable(
            f"all speeds are alike ({_about(slowest)} to {_about(fastest)}°/s)",
            (Wanted(LEAST_PER_END, ASKED_FRACTION * slowest, True),),
        )
    middle = math.sqrt(slowest * fastest)
    slow, fast = [v for v in speeds if v < middle], [v for v in speeds if v > middle]
    wanted = tuple(
        Wanted(LEAST_PER_END - len(end), math.fsum(end) / len(end), end is slow)
        for end in (slow, fast)
        if len(end) < LEAST_PER_END
    )
    if not wanted:
        return None
    return NotUsable(
        f"the range of speeds has {len(slow)} slow and {len(fast)} fast passes, of {LEAST_PER_END} needed at each end",
        wanted,
    )


def _levers(leverages: Sequence[float], speeds: Sequence[float]) -> NotUsable | None:
    """Passes that decide the line alone. One more like each is enough: of two equal passes neither can exceed a half."""
    middle = math.sqrt(min(speeds) * max(speeds))
    alone = [(v, h) for v, h in zip(speeds, leverages) if h > MOST_LEVERAGE + 1e-9]
    if not alone:
        return None
    speed, leverage = max(alone, key=lambda pair: pair[1])
    return NotUsable(
        f"the pass at {_about(speed)}°/s decides the line alone (leverage {leverage:.2f}, at most {MOST_LEVERAGE:g} allowed)",
        tuple(Wanted(1, v, v < middle) for v, _ in alone),
    )


def lowers_uncertainty(
    line: SpeedFit, mean_u_deg: float, delay_half_width_s: float, speed_deg_s: float, confidence: float = 0.95
) -> bool:
    """Is the zero-speed angle surer than the plain mean of the same passes, corrected for a delay known only within bounds?

    `mean_u_deg`: standard uncertainty of that mean from scatter alone, with one degree of freedom more than the line;
    `delay_half_width_s` bounds the delay, `speed_deg_s` is the mean speed. Expanded uncertainties are compared, since a line through
    few passes pays for it in its coverage factor.
    """
    mean = Budget(
        (
            type_a("repeatability of passes", mean_u_deg, line.freedom + 1),
            rectangular("delay", delay_half_width_s, "s", abs(speed_deg_s)),
        ),
        confidence,
    )
    return coverage_factor(line.freedom, confidence) * line.u_zero_speed_deg < mean.expanded_uncertainty_deg
