"""What was found, as text: each angle with its uncertainty, target and limits, and verdict."""

from __future__ import annotations

from rich.text import Text

from bench.evaluation import Evaluation, OpeningResult
from bench.verdict import Verdict
from tui.job_screen import words

VERDICT_STYLES = {
    Verdict.INSIDE: "bold green",
    Verdict.OUTSIDE: "bold red",
    Verdict.UNDECIDED: "bold yellow",
    Verdict.NONE: "",
}


def result_text(evaluation: Evaluation) -> Text:
    """Each breaker's opening angle against its target, with uncertainty and verdict; then differences, then what is to be noted."""
    text = Text()
    for breaker in evaluation.breakers:
        reference = words.counts_from_words(str(breaker.breaker.reference))
        text.append(f"{breaker.breaker.name}, degrees {reference}\n", "bold")
        for opening in breaker.openings:
            text.append(f"  lobe {opening.mean.lobe}  {_figure(opening)}  ")
            text.append_text(verdict_text(opening.verdict))
            text.append("\n")
    for difference in evaluation.differences:
        tolerance, angle = difference.difference.tolerance, difference.angle
        text.append(
            f"{difference.difference.second} after {difference.difference.first}, lobe {difference.lobe}  "
            f"{angle.value_deg:.2f}° ± {angle.budget.expanded_uncertainty_deg:.2f}°  target {tolerance.target_deg:g}° "
            f"({tolerance.lower_deg:g}° to {tolerance.upper_deg:g}°)  "
        )
        text.append_text(verdict_text(difference.verdict))
        text.append("\n")
    for _, note in evaluation.notes:
        text.append("!", "bold reverse")
        text.append(f" {note}\n")
    text.rstrip()
    return text


def verdict_text(verdict: Verdict) -> Text:
    """A verdict in shape and word."""
    return Text(words.VERDICTS[verdict], VERDICT_STYLES[verdict])


def _figure(opening: OpeningResult) -> str:
    if opening.angle is None:
        return "no reference to count from"
    figure = f"{opening.angle.value_deg:6.2f}° ± {opening.angle.budget.expanded_uncertainty_deg:.2f}°"
    if opening.tolerance is None:
        return figure
    limits = opening.tolerance
    return f"{figure}  target {limits.target_deg:g}° ({limits.lower_deg:g}° to {limits.upper_deg:g}°)"
