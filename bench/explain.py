"""How one opening's figure came about, from the raw frame to the verdict."""

from __future__ import annotations

import math

from bench.advice import advise
from bench.encoder import neighbours
from bench.errors import UsageError
from bench.evaluation import Evaluation, OpeningResult, PassAngle, evaluate
from bench.run import Run
from bench.uncertainty import Budget


def story(run: Run, breaker: str, lobe: int) -> list[str]:
    """Lines of text on one lobe of one breaker. Raises UsageError if there is no such opening."""
    evaluation = evaluate(run)
    for result in evaluation.breakers:
        if result.breaker.name == breaker:
            for opening in result.openings:
                if opening.mean.lobe == lobe and opening.mean.passes:
                    reference = result.breaker.reference
                    title = f"{breaker}, lobe {lobe}: how its opening angle came about"
                    return [
                        title,
                        "=" * len(title),
                        "",
                        *_first_pass(run, evaluation, opening.mean.passes[0]),
                        "",
                        *_passes(run, evaluation, opening),
                        "",
                        *_neutral(evaluation),
                        "",
                        *_figure(opening, str(reference)),
                        "",
                        *_verdict(run, opening),
                        "",
                        *_next(run, evaluation),
                    ]
    known = ", ".join(f"{b.breaker.name}:{o.mean.lobe}" for b in evaluation.breakers for o in b.openings)
    raise UsageError(f"--explain: there is no opening {breaker}:{lobe} in this capture; it has {known}.")


def _next(run: Run, evaluation: Evaluation) -> list[str]:
    advice = advise(run, evaluation)
    return [] if advice is None else [advice.text]


def _first_pass(run: Run, evaluation: Evaluation, taken: PassAngle) -> list[str]:
    edge = taken.taken.opening.edge
    contact = edge.contact
    offsets = run.phases.offsets()
    seconds = edge.tick / run.tick_hz
    lines = [
        "First pass",
        f"  raw frame (COBS, without delimiter): {edge.wire.hex(' ')}",
        f"  says: channel {contact.channel} {'opened' if contact.opened else 'closed'} at tick {contact.tick} "
        f"({seconds:.6f} s into the session), count {contact.count}",
        "  encoder edges around it (µs from the contact edge, boundary, step, learnt offset of its phase in counts):",
    ]
    for delay, boundary, step in neighbours(contact):
        micro = delay / run.tick_hz * 1e6
        lines.append(f"    {micro:+12.1f}  {boundary:8d}  {step:+d}  {offsets[boundary % 4]:+.4f}")
    how = (
        "least-squares parabola through these"
        if taken.place.interpolated
        else "middle of the count (edges do not run one way)"
    )
    lines += [
        f"  place on the disc: {taken.place.counts:.4f} counts (u = {taken.place.u_counts:.4f}), by {how}",
        f"  running sense: {run.sense:+d}; speed {taken.speed_deg_s:.1f}°/s",
        f"  bounce: {taken.taken.opening.bounce_edges} further edges within "
        f"{taken.taken.opening.bounce_ticks / run.tick_hz * 1000:.2f} ms before it was settled",
        f"  angle on the disc, delay by capacitor taken off: {taken.angle_deg:.4f}°",
        f"  minus zero {evaluation.zero_deg:.4f}° and {taken.ordinal} lobe spacings of {run.job.unit.lobe_spacing_deg:g}°: "
        f"{taken.angle_deg - evaluation.zero_deg - taken.ordinal * run.job.unit.lobe_spacing_deg:.4f}°",
    ]
    return lines


def _passes(run: Run, evaluation: Evaluation, opening: OpeningResult) -> list[str]:
    lines = ["All passes of this lobe (degrees from zero, speed in °/s)"]
    for taken in opening.mean.passes:
        past = taken.angle_deg - evaluation.zero_deg - taken.ordinal * run.job.unit.lobe_spacing_deg
        lines.append(f"  {past:9.4f}  at {taken.speed_deg_s:6.1f}")
    scatter = opening.mean.scatter_deg
    line = opening.mean.line
    lines.append(
        f"  {'mean' if line is None else 'zero-speed angle'} {opening.mean.angle_deg:.4f}, standard deviation {scatter or 0.0:.4f}"
    )
    if line is not None:
        lines.append(
            f"  delay of the edge by the line over speed: {line.delay_s * 1000:.3f} ms, u = {line.u_delay_s * 1000:.3f} ms"
        )
    return lines


def _neutral(evaluation: Evaluation) -> list[str]:
    neutral = evaluation.neutral
    if neutral is None:
        return ["Neutral: not marked in this run."]
    lines = [
        f"Neutral by {neutral.method}: {neutral.angle_deg:.4f}° on the disc (u = {neutral.standard_uncertainty_deg:.4f}°)"
    ]
    for estimate in neutral.estimates:
        lines.append(
            f"  {estimate.method}: {estimate.angle_deg:.4f}°, u = {estimate.u_deg:.4f}° with {estimate.freedom:g} degrees of freedom; "
            f"{estimate.from_below} from below, {estimate.from_above} from above, {estimate.band_deg:.3f}° apart"
        )
    return lines


def budget_lines(budget: Budget) -> list[str]:
    """The budget as a table of text."""
    lines = [f"  {'source':<44}{'type':<5}{'shape':<13}{'u':>12}{'×':>10}{'u(angle)':>11}{'freedom':>9}{'share':>7}"]
    for term in budget.terms:
        freedom = "∞" if math.isinf(term.freedom) else f"{term.freedom:.0f}"
        figure = f"{term.standard_uncertainty:.3g} {term.unit}"
        lines.append(
            f"  {term.source:<44}{term.kind:<5}{term.shape.value:<13}{figure:>12}{term.sensitivity:>10.3g}"
            f"{term.contribution_deg:>10.4f}°{freedom:>9}{budget.share(term):>7.0%}"
        )
    how = "k" if budget.propagated_deg is None else "by propagation of distributions (JCGM 101) k"
    effective = "∞" if math.isinf(budget.freedom) else f"{budget.freedom:.1f}"
    lines.append(
        f"  combined u = {budget.standard_uncertainty_deg:.4f}°, effective degrees of freedom {effective}, "
        f"{how} = {budget.coverage_factor:.3f}, U = {budget.expanded_uncertainty_deg:.4f}°"
    )
    return lines


def _figure(opening: OpeningResult, counts_from: str) -> list[str]:
    if opening.angle is None:
        return ["No reference to count from, so no angle is stated."]
    return [
        f"Angle from {counts_from}: {opening.angle.value_deg:.4f}°, budget:",
        *budget_lines(opening.angle.budget),
    ]


def _verdict(run: Run, opening: OpeningResult) -> list[str]:
    tolerance = opening.tolerance
    if tolerance is None or opening.probability is None:
        return ["Verdict: none, since this lobe has no limits."]
    rule = run.settings.bench.decision
    return [
        f"Limits {tolerance.lower_deg:g}° to {tolerance.upper_deg:g}° (target {tolerance.target_deg:g}°); rule {rule.rule}, confidence "
        f"{rule.confidence:.0%}; probability of being inside {opening.probability:.4f}",
        f"Verdict: {opening.verdict.value}",
    ]
